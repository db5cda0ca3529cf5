"""Cans after a trimming: a bubbler closed on purpose is not clogged, and one that clogs since is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.report.commissioning import judged
from scheduler.site.model import Emitter, Line, Plant, Point, Site
from scheduler.survey.catch_cans import CanResult
from scheduler.survey.site_mark import site_mark
from scheduler.survey.tests_done import Can, CatchCans, TestRecord, Trim, TurnDone
from scheduler.survey.zone_readings import TestDone
from tests.support.gardens import small_garden

DAY = datetime(2012, 4, 14, 9, 0, tzinfo=UTC)
N = 8
# The first two closed by half, another clogged from the first day.
FIRST = dict.fromkeys(("e5",), 0.5)
CLOSED = {**FIRST, "e0": 0.5, "e1": 0.5}


def garden(k: float = 10.0) -> Site:
    base = small_garden()
    row = tuple(Point(1.0 + i, 0.3, (Emitter(f"e{i}", "bubbler", f"p{i}", k, 0.6),)) for i in range(N))
    zone = replace(base.zones[0], id="row", lines=(Line("row", None, None, 0.0136, 11.0, row),))
    plants = tuple(Plant(f"p{i}", f"P{i}", "tomato", 0.5, 1, container_l=40.0) for i in range(N))
    return replace(base, zones=(zone, base.zones[1]), plants=base.plants + plants)


def flows(factors: dict[str, float]) -> dict[str, float]:
    site = garden()
    network = zone_network(site, site.zone("row"), coefficient_factor=factors)
    return dict(zip(network.emitter_ids, solve(network, 0.5).flow_lph.tolist(), strict=True))


def cans(factors: dict[str, float], hours: float) -> CatchCans:
    caught = tuple(Can(emitter=e, volume_l=q / 6.0) for e, q in flows(factors).items())
    at = DAY + timedelta(hours=hours)
    return CatchCans(zone="row", at=at, who="Ann", level_m=0.5, level_end_m=0.5, run_s=600.0, cans=caught)


def trim(hours: float, *, caught: bool) -> Trim:
    litres = {e: q / 60.0 if caught else None for e, q in flows(CLOSED).items()}
    turns = tuple(
        TurnDone(emitter=e, volume_l=litres[e], run_s=60.0 if caught else None) for e in ("e0", "e1")
    )
    return Trim(zone="row", at=DAY + timedelta(hours=hours), who="Ann", level_m=0.5, turns=turns)


def found(*records: TestRecord, site: Site | None = None) -> CanResult:
    """The last record, judged; all were done on the garden as first drawn."""
    kept = [TestDone(i, r, site_mark(garden(), "row")) for i, r in enumerate(records, 1)]
    result = judged(site or garden(), kept, records[-1], DAY + timedelta(days=500))
    assert isinstance(result, CanResult)
    return result


def amiss(result: CanResult) -> set[tuple[str, str]]:
    return {(e.emitter, e.finding) for e in result.amiss}


def test_a_bubbler_closed_as_advised_is_not_called_clogged_in_the_next_cans() -> None:
    result = found(cans(FIRST, 0), trim(1, caught=False), cans(CLOSED, 2))
    assert amiss(result) == {("e5", "clogged")}
    assert {e.emitter for e in result.emitters if e.finding == "turned"} == {"e0", "e1"}
    assert "First cans since they were turned" in result.verdict and "e0, e1." in result.verdict


def test_one_whose_litres_were_caught_right_after_turning_is_judged_by_them() -> None:
    clogging = {**CLOSED, "e1": 0.3}
    result = found(cans(FIRST, 0), trim(1, caught=True), cans(clogging, 2))
    assert amiss(result) == {("e1", "clogged"), ("e5", "clogged")}
    assert "since they were turned" not in result.verdict


def test_a_year_later_a_turned_bubbler_that_clogged_is_named_by_its_cans_of_last_year() -> None:
    before = (cans(FIRST, 0), trim(1, caught=False), cans(CLOSED, 2))
    assert amiss(found(*before, cans(CLOSED, 9000))) == {("e5", "clogged")}
    assert amiss(found(*before, cans({**CLOSED, "e0": 0.25}, 9000))) == {("e0", "clogged"), ("e5", "clogged")}


def test_a_turned_bubbler_out_of_which_nothing_comes_is_dead_all_the_same() -> None:
    result = found(cans(FIRST, 0), trim(1, caught=False), cans({**CLOSED, "e0": 0.0}, 2))
    assert ("e0", "dead") in amiss(result)


@pytest.mark.parametrize("left", [0.0, 0.02])
def test_a_turned_bubbler_that_was_dead_has_no_flow_to_be_judged_by_once_it_was_cleaned(left: float) -> None:
    """Nothing came, or drops; cleaned, it gives as it was set: it is not "too open"."""
    result = found(cans(FIRST, 0), trim(1, caught=False), cans({**CLOSED, "e0": left}, 2), cans(CLOSED, 3))
    assert amiss(result) == {("e5", "clogged")}
    assert {e.emitter for e in result.emitters if e.finding == "turned"} == {"e0"}


def test_a_turned_bubbler_that_died_and_was_cleaned_is_judged_by_its_cans_from_before_it_died() -> None:
    before = (cans(FIRST, 0), trim(1, caught=False), cans(CLOSED, 2), cans({**CLOSED, "e0": 0.0}, 9000))
    assert amiss(found(*before, cans(CLOSED, 9001))) == {("e5", "clogged")}
    clogging = cans({**CLOSED, "e0": 0.25}, 9001)
    assert amiss(found(*before, clogging)) == {("e0", "clogged"), ("e5", "clogged")}


def test_nothing_caught_right_after_turning_is_no_flow_to_be_judged_by() -> None:
    caught = trim(1, caught=True)
    dry = tuple(t.model_copy(update={"volume_l": 0.0}) for t in caught.turns)
    for update in ({"turns": dry}, {"level_m": None}):
        result = found(cans(FIRST, 0), caught.model_copy(update=update), cans(CLOSED, 2))
        assert amiss(result) == {("e5", "clogged")}
        assert {e.emitter for e in result.emitters if e.finding == "turned"} == {"e0", "e1"}


def test_what_was_drawn_anew_since_it_was_turned_is_judged_by_its_drawing() -> None:
    """The fitter wrote what the bubblers give now into the site file: k 5 in all of them."""
    result = found(
        trim(1, caught=False), cans(dict.fromkeys([f"e{i}" for i in range(N)], 0.5), 2), site=garden(5.0)
    )
    assert not [e for e in result.emitters if e.finding == "turned"] and amiss(result) == set()


def test_cans_before_the_turning_are_judged_as_drawn() -> None:
    first = cans(CLOSED, 0)
    kept = [
        TestDone(i, r, site_mark(garden(), "row")) for i, r in enumerate((first, trim(1, caught=False)), 1)
    ]
    result = judged(garden(), kept, first, DAY)
    assert isinstance(result, CanResult)
    assert amiss(result) == {("e0", "clogged"), ("e1", "clogged"), ("e5", "clogged")}
