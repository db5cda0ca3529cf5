"""A rehearsed season: the same inputs give the same season, water is conserved, the rules hold."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.rehearsal.hidden import NOTHING_HIDDEN
from scheduler.rehearsal.season import Season, rehearse
from scheduler.rehearsal.season_json import season_json, season_picture
from scheduler.sensing.flow import FRESH_SLOPE
from scheduler.site.errors import UsageError

FIRST = date(2031, 7, 1)
LAST = date(2031, 7, 16)
SLOW_S = 1800.0  # reports at rest: enough for what is claimed here


@pytest.fixture(scope="module")
def small(site):
    """The two drums with one zone and quick water: little to work out."""
    return replace(site, zones=site.zones[:1], plants=site.plants[:2])


@pytest.fixture(scope="module")
def days(make_weather):
    return make_weather(FIRST - timedelta(days=3), 24, {9: 6.0})


@pytest.fixture(scope="module")
def season(small, days) -> Season:
    return rehearse(small, days, FIRST, LAST, seed=5, rest_report_s=SLOW_S)


def test_a_season_keeps_every_rule_and_every_drop(season) -> None:
    assert season.rules_broken == ()
    assert abs(season.imbalance_l) < 1e-6
    assert len(season.runs) >= 2
    assert len(season.days) == 16


def test_the_same_seed_gives_the_same_season(season, small, days) -> None:
    again = rehearse(small, days, FIRST, LAST, seed=5, rest_report_s=SLOW_S)
    assert season_json(again) == season_json(season)
    assert again.runs == season.runs


def test_another_seed_gives_another_season(season, small, days) -> None:
    other = rehearse(small, days, FIRST, LAST, seed=6, rest_report_s=SLOW_S)
    assert [r.litres for r in other.runs] != [r.litres for r in season.runs]


def test_with_nothing_hidden_each_plant_gets_what_the_plans_said(small, days) -> None:
    # The controller expects some clogging; nothing is hidden when that is what comes.
    lost = 1.0 - math.exp(FRESH_SLOPE * ((LAST - FIRST).days + 1))
    as_expected = replace(NOTHING_HIDDEN, clogging_loss=lost)
    plain = rehearse(small, days, FIRST, LAST, seed=5, hidden=as_expected, rest_report_s=SLOW_S)
    for plant in plain.plants:
        assert plant.delivery_error is not None
        assert abs(plant.delivery_error) < 0.01, plant  # two independent ways of working out one run


def test_the_printed_object_has_the_stable_keys_and_is_consistent(season) -> None:
    printed = json.loads(json.dumps(season_json(season)))
    for key in ("plants", "worst_need_error", "worst_delivery_error", "fixed_timer_worst_error"):
        assert key in printed
    assert {"date", "usable_l"} <= set(printed["store"][0])
    assert printed["rules_broken"] == []
    for plant in printed["plants"]:
        for part, whole, error in (
            ("given_l", "wanted_l", "need_error"),
            ("given_l", "planned_l", "delivery_error"),
            ("fixed_timer_l", "wanted_l", "fixed_timer_error"),
        ):
            # Printed to 0.01 L and 0.00001: of some 10 L that is 0.001.
            assert plant[error] == pytest.approx(plant[part] / plant[whole] - 1.0, abs=0.002)


def test_the_picture_gets_every_day_run_and_plant(season) -> None:
    picture = season_picture(season, "test")
    assert len(picture.days) == len(season.days)
    assert len(picture.runs) == len(season.runs)
    assert all(r.head_m > 0.0 for r in picture.runs)


def test_a_day_without_temperatures_is_named(small, days) -> None:
    holes = tuple(replace(d, tmax_c=None) if d.day == date(2031, 7, 4) else d for d in days)
    with pytest.raises(UsageError, match="2031-07-04"):
        rehearse(small, holes, FIRST, LAST, seed=1)
