"""Trimming makes the plants' flows agree with what they want, where bubblers can be set."""

from __future__ import annotations

from datetime import date

import pytest

from scheduler.agronomy.need import daily_need_l
from scheduler.rehearsal.trimming import share_spread, trimmed

DAY = date(2031, 8, 8)


def test_a_trimmed_garden_serves_all_plants_of_a_zone_alike(site) -> None:
    wants = {p.id: daily_need_l(p, 4.5, DAY) for p in site.plants}
    trim = trimmed(site, 0.4, 4.5, DAY)
    for before, after in zip(site.zones, trim.zones, strict=True):
        assert share_spread(site, before, 0.4, wants) > 1.05  # there was something to trim
        assert share_spread(trim, after, 0.4, wants) == pytest.approx(1.0, abs=0.005)


def test_trimming_changes_nothing_but_the_bubblers_settings(site) -> None:
    trim = trimmed(site, 0.4, 4.5, DAY)
    assert trim.tank == site.tank and trim.plants == site.plants
    for before, after in zip(site.zones, trim.zones, strict=True):
        assert [e.id for e in before.emitters] == [e.id for e in after.emitters]
        assert [e.exponent for e in before.emitters] == [e.exponent for e in after.emitters]
