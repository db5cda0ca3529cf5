"""Advice is what a solve says, and it knows thin lines and badly set bubblers when it sees them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.supply.stage import stage_storage
from scheduler.survey.advice import LEAST_GAIN, advise, score
from scheduler.survey.changes import changed, turned
from scheduler.survey.wants import midsummer_wants
from tests.support.gardens import small_garden


def thin(bore_m: float) -> Site:
    """Sage near, thyme far on a long thin line."""
    site = small_garden()
    bed = site.zones[1]
    line = bed.lines[0]
    points = (line.points[0], replace(line.points[1], at_m=45.0))
    far = replace(line, bore_m=bore_m, length_m=46.0, points=points)
    return replace(site, zones=(replace(bed, lines=(far,)),))


def test_a_thin_line_is_to_be_made_wider() -> None:
    advice = advise(thin(0.004))
    best = next(a for a in advice if a.kind == "bore")
    assert best.changes == ("bore bed-line 9.8 mm",)
    assert best.after.evenness > best.before.evenness + 0.1
    assert not [a for a in advise(thin(0.02)) if a.kind == "bore"]


def test_every_effect_is_that_of_the_changed_garden_solved_again() -> None:
    site = thin(0.004)
    wants, stage = midsummer_wants(site), stage_storage(site.tank)
    for advice in advise(site):
        if advice.trim is not None:
            other = turned(site, {t.emitter: t.factor for t in advice.trim.turns})
        else:
            other = changed(site, advice.changes)
        again = score(other, wants, stage)
        assert again.total == pytest.approx(advice.after.total, abs=1e-9)
        assert advice.gain >= LEAST_GAIN


def test_a_badly_set_bubbler_is_turned_before_anything_is_bought() -> None:
    site = small_garden()
    bad = turned(site, {"b1": 2.5, "b2": 0.5})
    first = advise(bad)[0]
    assert first.kind == "trim" and first.trim is not None
    assert [t.emitter for t in first.trim.turns] == ["b1", "b2"]
    assert first.after.evenness > first.before.evenness + 0.2


def test_a_garden_that_is_well_set_gets_no_advice() -> None:
    assert advise(small_garden()) == ()


def test_a_zone_that_is_even_is_not_split_for_the_sake_of_the_mean() -> None:
    """Two parts of a zone weigh as the one did: else the mean would rise by counting alone."""
    site = example_site("uneven-ground")
    bad = turned(site, {"rose-2-1": 0.5, "rose-2-2": 0.5})
    for advice in advise(bad):
        if advice.kind == "split":
            was, now = advice.zones[advice.zone or ""]
            assert now.evenness + now.reach >= was.evenness + was.reach + LEAST_GAIN
    assert not [a for a in advise(bad) if a.kind == "split" and a.zone == "slope"]


def test_each_zone_has_figures_of_its_own() -> None:
    bad = turned(example_site("uneven-ground"), {"rose-2-1": 0.5, "rose-2-2": 0.5})
    trim = next(a for a in advise(bad) if a.kind == "trim")
    assert trim.zone == "high-bed"
    (was, now), others = trim.zones["high-bed"], [trim.zones[z] for z in ("terrace", "slope")]
    # The right rose gets about half of what each other plant gets: the lowest quarter of three is it.
    assert was.worst == "rose-2" and was.evenness < 0.7 < 0.9 < now.evenness
    assert all(old == pytest.approx(new) for x in others for old, new in [(x[0].evenness, x[1].evenness)])
