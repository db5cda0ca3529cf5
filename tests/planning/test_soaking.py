"""Runs in openings with pauses: no litre lost, no window broken, water kept for later openings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import inf

import pytest

from scheduler.agronomy.intake import surface_on_mm
from scheduler.planning.garden import garden_model
from scheduler.planning.plan import PlannedRun, PlantShare
from scheduler.planning.sizing import occupied_s
from scheduler.planning.soaking import Begun, at_once, whole_runs, with_pauses
from scheduler.planning.windows import WindowSpan
from scheduler.site.catalogue import SOILS
from tests.support.gardens import small_garden

SITE = small_garden()
MODEL = garden_model(SITE)
START = datetime(2012, 7, 20, 11, 0, tzinfo=UTC)
REST_S = 900.0
HOUR = timedelta(hours=1)
NIGHT = WindowSpan(START, START + 8 * HOUR)


def run(zone: str, run_s: float, start: datetime = START) -> PlannedRun:
    plants = MODEL.zones[zone].plants
    shares = tuple(PlantShare(p, zone, 6.0, 6.0, True, ()) for p in plants)
    volume_l = 6.0 * len(plants)
    end_m = MODEL.stage.level_m(MODEL.stage.volume_l(0.60) - volume_l)
    return PlannedRun(zone, start, run_s, volume_l, 0.60, end_m, shares, ())


def split(runs: list[PlannedRun], *spans: WindowSpan) -> tuple[PlannedRun, ...]:
    return with_pauses(MODEL, runs, spans or (NIGHT,), {}, REST_S)


def test_the_slowest_ground_of_a_zone_bounds_it_and_containers_do_not() -> None:
    assert at_once(MODEL, "pots", 0.6).run_s == inf
    bound = at_once(MODEL, "bed", 0.6)
    assert bound.plant is not None
    plant = SITE.plant(bound.plant)
    zone = MODEL.zones["bed"]
    flows = zone.plant_rows[zone.plants.index(plant.id)] * zone.curve.flows_lph(0.6)
    count = int((flows > 0.0).sum())
    # By hand: surface / (flow on its share of the canopy - intake).
    excess = flows.max() / (plant.canopy_m2 / count) - SOILS[plant.soil or ""].intake_mm_h
    assert bound.run_s == pytest.approx(
        3600.0 * surface_on_mm(SOILS[plant.soil or ""].intake_mm_h) / excess, rel=0.02
    )
    assert at_once(MODEL, "bed", 0.6, flow_factor=0.5).run_s > bound.run_s


def test_a_run_that_soaks_in_as_it_comes_stays_one() -> None:
    short = run("bed", 600.0)
    assert split([short, run("pots", 9000.0, START + HOUR)]) == (short, run("pots", 9000.0, START + HOUR))


def test_a_long_run_becomes_equal_openings_and_no_litre_is_lost() -> None:
    whole = run("bed", 4500.0)
    parts = split([whole])
    bound = at_once(MODEL, "bed", 0.6)
    assert len(parts) == 3 and [p.pulse for p in parts] == [1, 2, 3]
    assert sum(p.run_s for p in parts) == pytest.approx(whole.run_s)
    assert sum(p.volume_l for p in parts) == pytest.approx(whole.volume_l)
    assert sum(s.given_l for p in parts for s in p.shares) == pytest.approx(
        sum(s.given_l for s in whole.shares)
    )
    levels = (parts[0].level_start_m, parts[-1].level_end_m)
    assert levels == pytest.approx((whole.level_start_m, whole.level_end_m))
    assert max(p.run_s for p in parts) <= bound.run_s
    for before, after in pairwise(parts):
        ended = before.start + timedelta(seconds=occupied_s(MODEL.zones["bed"].zone.valve, before.run_s))
        assert (after.start - ended).total_seconds() >= bound.soak_s - 1e-6
    (reason,) = parts[0].reasons
    assert reason.code == "soaks_in" and "3 openings" in reason.text and "mm an hour" in reason.text


def test_another_zone_is_watered_before_the_second_opening() -> None:
    pots = run("pots", 1200.0, START + HOUR)
    parts = split([run("bed", 2000.0), pots])
    assert [(p.zone, p.pulse) for p in parts] == [("bed", 1), ("pots", 1), ("bed", 2)]
    assert (parts[1].start, parts[1].volume_l, parts[1].shares) == (pots.start, pots.volume_l, pots.shares)
    assert parts[2].start >= pots.start + timedelta(seconds=1200.0 + REST_S)
    assert all(after.level_start_m == before.level_end_m for before, after in pairwise(parts))


def test_the_openings_of_a_run_read_as_one() -> None:
    bed, pots = run("bed", 2000.0), run("pots", 1200.0, START + HOUR)
    whole = whole_runs(split([bed, pots]))
    assert [r.zone for r in whole] == ["bed", "pots"]
    assert whole[0].start == START and whole[0].run_s == pytest.approx(2000.0)
    assert whole[0].volume_l == pytest.approx(bed.volume_l)
    assert [s.given_l for s in whole[0].shares] == pytest.approx([s.given_l for s in bed.shares])


def test_the_rest_of_a_run_goes_on_counting_once_the_ground_has_soaked() -> None:
    ready = START + 2 * HOUR
    parts = with_pauses(MODEL, [run("bed", 2000.0)], (NIGHT,), {}, REST_S, {"bed": Begun(1, ready, {})})
    assert [(p.pulse, p.pulses) for p in parts] == [(2, 3), (3, 3)]
    assert parts[0].start == ready and parts[1].start > ready
    (reason,) = parts[0].reasons
    assert "after 1 earlier today" in reason.text
    # A rest that the ground takes at once is one opening, and keeps its place in the count.
    (last,) = with_pauses(MODEL, [run("bed", 400.0)], (NIGHT,), {}, REST_S, {"bed": Begun(2, ready, {})})
    assert (last.pulse, last.pulses, last.start) == (3, 3, ready)


def test_no_run_is_split_where_another_zone_would_take_the_water_of_its_later_opening() -> None:
    """The later opening of a zone that needs a higher level would come after a zone that drains below it."""
    high = replace(MODEL.zones["bed"], worst_stop_m=0.55)
    model = replace(MODEL, zones={**MODEL.zones, "bed": high})
    level_m = 0.56 + 1e-3
    bed, pots = run("bed", 2000.0), run("pots", 1200.0, START + HOUR)
    volume_l = MODEL.stage.volume_l(level_m) - MODEL.stage.volume_l(0.552)
    bed = replace(bed, level_start_m=level_m, level_end_m=0.552, volume_l=volume_l)
    pots = replace(
        pots,
        level_start_m=0.552,
        level_end_m=0.5,
        volume_l=MODEL.stage.volume_l(0.552) - MODEL.stage.volume_l(0.5),
    )
    assert with_pauses(model, [bed, pots], (NIGHT,), {}, REST_S) == (bed, pots)
    alone = with_pauses(model, [bed], (NIGHT,), {}, REST_S)
    assert len(alone) == 2 and alone[-1].level_end_m == pytest.approx(0.552)


def test_openings_that_no_window_takes_are_left_for_another_day() -> None:
    narrow = WindowSpan(START, START + timedelta(minutes=90))
    parts = split([run("bed", 4500.0)], narrow)
    assert [p.pulse for p in parts] == [1]
    left_out = parts[0].reasons[-1]
    assert left_out.code == "window" and "2 of 3 openings" in left_out.text
    evening = WindowSpan(START + 12 * HOUR, START + 15 * HOUR)
    later = split([run("bed", 4500.0)], narrow, evening)
    assert [p.pulse for p in later] == [1, 2, 3] and later[1].start == evening.start
    ends = [p.start + timedelta(seconds=p.run_s) for p in later[1:]]
    assert all(e <= evening.end for e in ends)


def test_figures_of_a_us_garden_are_in_inches() -> None:
    model = garden_model(replace(SITE, units="us"))
    parts = with_pauses(model, [run("bed", 3000.0)], (NIGHT,), {}, REST_S)
    assert " in an hour" in parts[0].reasons[0].text and "mm" not in parts[0].reasons[0].text
