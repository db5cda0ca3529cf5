"""The run time that serves a zone's plants best."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.planning.garden import expected_litres, garden_model
from scheduler.planning.plan import PlannedRun, SkippedZone
from scheduler.planning.sizing import OVER_MAX, longest_run, occupied_s
from scheduler.planning.watering import size_run
from scheduler.site.examples import example_site
from tests.support.gardens import small_garden
from tests.support.planning import large_site, need

START = datetime(2012, 7, 20, 12, 0, tzinfo=UTC)
MODEL = garden_model(small_garden())
UNEVEN = garden_model(large_site(1, 12))
DAY_S = 86400.0


def run(
    targets: dict[str, float], level_m: float = 0.6, *, zone: str = "bed", model=MODEL, **more: object
) -> PlannedRun:  # type: ignore[no-untyped-def]
    options = {"longest_open_s": DAY_S} | more
    sized = size_run(model, zone, start=START, level_m=level_m, targets_l=targets, **options)  # type: ignore[arg-type]
    assert isinstance(sized, PlannedRun), sized
    return sized


def ratios(planned: PlannedRun) -> list[float]:
    return [s.given_l / s.wanted_l for s in planned.shares if s.wanted_l > 0.0]


def test_equal_plants_get_just_what_they_want() -> None:
    planned = run({"sage": 4.0, "thyme": 4.0})
    assert ratios(planned) == pytest.approx([1.0, 1.0], abs=0.02)
    assert max(ratios(planned)) + min(ratios(planned)) == pytest.approx(2.0, abs=1e-3)


def test_no_other_run_time_has_a_smaller_worst_miss() -> None:
    targets = {"sage": 5.0, "thyme": 3.5}
    planned = run(targets)

    def worst(run_s: float) -> float:
        litres = expected_litres(MODEL, "bed", 0.6, run_s).litres
        return max(abs(litres[p] / w - 1.0) for p, w in targets.items())

    scan = min(worst(float(t)) for t in np.linspace(0.5 * planned.run_s, 1.5 * planned.run_s, 2001))
    assert worst(planned.run_s) <= scan + 1e-3


def test_the_volume_is_the_tanks_drop_and_the_plants_water() -> None:
    planned = run({"sage": 6.0, "thyme": 5.0})
    drop_l = MODEL.stage.volume_l(planned.level_start_m) - MODEL.stage.volume_l(planned.level_end_m)
    assert planned.volume_l == pytest.approx(drop_l, abs=1e-6)
    assert planned.volume_l == pytest.approx(sum(s.given_l for s in planned.shares), abs=1e-6)


def test_a_clogged_zone_runs_longer_and_says_why() -> None:
    plain, clogged = run({"sage": 6.0, "thyme": 6.0}), run({"sage": 6.0, "thyme": 6.0}, flow_factor=0.8)
    assert clogged.run_s == pytest.approx(plain.run_s / 0.8, rel=0.02)
    assert "flow_corrected" in [r.code for r in clogged.reasons]
    assert "flow_corrected" not in [r.code for r in plain.reasons]


def test_a_plant_that_wants_next_to_nothing_does_not_starve_the_dry_one() -> None:
    needs = {"sage": need("sage", 6.0, 1.0), "thyme": need("thyme", 0.3, 0.05)}
    weighed = run({"sage": 6.0, "thyme": 0.3}, needs=needs)
    plain = run({"sage": 6.0, "thyme": 0.3})
    assert weighed.shares[0].given_l > 2.0 * plain.shares[0].given_l


def test_no_plant_gets_more_than_half_too_much() -> None:
    planned = run({"sage": 9.0, "thyme": 2.0})
    assert max(ratios(planned)) == pytest.approx(1.0 + OVER_MAX, abs=0.01)


def test_the_reserve_ends_a_run() -> None:
    reserve_m = MODEL.reserve_level_m
    planned = run({"sage": 30.0, "thyme": 30.0}, reserve_m + 0.02)
    assert planned.level_end_m >= reserve_m
    assert planned.level_end_m == pytest.approx(reserve_m, abs=1e-4)
    assert "reserve" in [r.code for r in planned.reasons]
    held = run({"sage": 30.0, "thyme": 30.0}, reserve_m + 0.02, floor_margin_m=0.01)
    assert held.level_end_m == pytest.approx(reserve_m + 0.01, abs=1e-4)


def test_the_level_at_which_the_worst_emitter_stops_ends_a_run() -> None:
    site = small_garden()
    bed = site.zones[1]
    high = replace(bed.lines[0].points[1], drop_m=-0.4)  # 40 cm above the outlet
    line = replace(bed.lines[0], points=(bed.lines[0].points[0], high))
    model = garden_model(replace(site, zones=(site.zones[0], replace(bed, lines=(line,)))))
    assert model.zones["bed"].worst_stop_m == pytest.approx(0.4, abs=0.01)
    planned = run({"sage": 60.0, "thyme": 60.0}, 0.45, model=model)
    assert planned.level_end_m >= model.floor_level_m("bed")
    assert "worst_emitter" in [r.code for r in planned.reasons]
    below = size_run(
        model, "bed", start=START, level_m=0.35, targets_l={"sage": 5.0, "thyme": 5.0}, longest_open_s=DAY_S
    )
    assert isinstance(below, SkippedZone) and below.reasons[0].code == "worst_emitter"
    assert (
        model.zones["bed"].first_dry == ("thyme",) and "it no longer reaches Thyme" in below.reasons[0].text
    )


def test_the_nodes_longest_opening_and_the_window_end_a_run() -> None:
    valve = MODEL.zones["bed"].zone.valve
    short = run({"sage": 30.0, "thyme": 30.0}, longest_open_s=900.0)
    assert short.run_s == pytest.approx(900.0 - valve.opening_s - valve.closing_s)
    assert "longest_open" in [r.code for r in short.reasons]
    end = START + timedelta(seconds=600)
    cut = run({"sage": 30.0, "thyme": 30.0}, latest_end=end)
    assert occupied_s(valve, cut.run_s) == pytest.approx(600.0)
    assert "window" in [r.code for r in cut.reasons]


def test_the_node_s_day_bounds_a_run_that_slow_ground_splits() -> None:
    """By hand, with a travel of 8 s and 8 s at each opening."""
    valve = MODEL.zones["bed"].zone.valve
    # 3600 s a day: two of 1700 + 16 s leave 168 s for a third with its travel, so 152 s.
    assert longest_run(valve, 1800.0, 1700.0) == (3552.0, "longest_day")
    # Ground that takes in 1784 s at once is not what ends an opening: the node is.
    assert longest_run(valve, 1800.0, 1784.0) == longest_run(valve, 1800.0) == (1784.0, "longest_open")
    # No opening is made shorter than 300 s: 11 of 300 + 16 s leave 124 s, so 108 s for a twelfth.
    assert longest_run(valve, 1800.0, 60.0) == (3408.0, "longest_day")
    # Parts of at least 300 s are up to 600 s long: more than such a node allows.
    assert longest_run(valve, 610.0, 60.0) == (594.0, "longest_open")


def test_nothing_wanted_and_nothing_reached_are_no_runs() -> None:
    none = size_run(MODEL, "bed", start=START, level_m=0.6, targets_l={}, longest_open_s=DAY_S)
    assert isinstance(none, SkippedZone) and none.reasons[0].code == "not_due"
    dry = size_run(MODEL, "bed", start=START, level_m=0.0, targets_l={"sage": 4.0}, longest_open_s=DAY_S)
    assert isinstance(dry, SkippedZone)


def test_reasons_speak_the_sites_units() -> None:
    us = garden_model(example_site("uneven-ground"))
    zone_id = next(iter(us.zones))
    targets = dict.fromkeys(us.zones[zone_id].plants, 4.0)
    planned = run(targets, 0.7, zone=zone_id, model=us)
    assert " gal " in planned.reasons[0].text and " L " not in planned.reasons[0].text
    assert dict(planned.reasons[0].figures)["volume_l"] == planned.volume_l


def test_priming_water_is_in_the_litres() -> None:
    site = small_garden()
    zones = tuple(replace(z, emptied_share=share) for z, share in zip(site.zones, (0.0, 0.9), strict=True))
    model = garden_model(replace(site, zones=zones))
    full = garden_model(replace(site, zones=tuple(replace(z, emptied_share=0.0) for z in zones)))
    primed, steady = (expected_litres(m, "bed", 0.6, 1200.0) for m in (model, full))
    prime = model.zones["bed"].prime(0.6)
    assert prime.fill_s > 1.0
    # Conservation over a run and the drain after it: what filled the lines comes out of the emitters.
    extra_l = float(prime.drained_l.sum() - prime.missing_l.sum())
    assert primed.volume_l - steady.volume_l == pytest.approx(extra_l, rel=0.02)
    assert expected_litres(model, "bed", 0.6, 0.0).volume_l == 0.0


wants = st.floats(0.5, 20.0)
levels = st.floats(0.2, 0.8)


@settings(max_examples=60, deadline=None)
@given(wants, wants, levels, levels)
def test_a_lower_level_never_gives_a_shorter_run(a_l: float, b_l: float, one_m: float, two_m: float) -> None:
    low_m, high_m = sorted((one_m, two_m))
    low, high = (run({"sage": a_l, "thyme": b_l}, level_m) for level_m in (low_m, high_m))
    if any(r.code == "reserve" for r in low.reasons):
        return
    assert low.run_s >= high.run_s - 0.5


@settings(max_examples=60, deadline=None)
@given(wants, wants, st.floats(0.0, 10.0), st.floats(0.0, 10.0), levels, st.floats(0.2, 2.0))
def test_more_depletion_never_gives_a_shorter_run(
    a_l: float, b_l: float, more_a_l: float, more_b_l: float, level_m: float, overdue: float
) -> None:
    def sized(a: float, b: float) -> PlannedRun:
        # Readily available water stays what it is: overdue grows with the want.
        needs = {"sage": need("sage", a, overdue * a / a_l), "thyme": need("thyme", b, overdue * b / b_l)}
        return run({"sage": a, "thyme": b}, level_m, needs=needs)

    assert sized(a_l + more_a_l, b_l + more_b_l).run_s >= sized(a_l, b_l).run_s - 0.5


@settings(max_examples=40, deadline=None)
@given(st.lists(wants, min_size=6, max_size=6), levels, st.floats(0.5, 1.3), st.floats(0.0, 0.05))
def test_a_run_never_goes_below_its_floor(
    targets: list[float], level_m: float, factor: float, margin_m: float
) -> None:
    zone = UNEVEN.zones["z0"]
    sized = size_run(
        UNEVEN,
        "z0",
        start=START,
        level_m=level_m,
        targets_l=dict(zip(zone.plants, [10.0 * t for t in targets], strict=True)),
        flow_factor=factor,
        longest_open_s=DAY_S,
        floor_margin_m=margin_m,
    )
    floor_m = UNEVEN.floor_level_m("z0") + margin_m
    if isinstance(sized, SkippedZone):
        assert level_m <= floor_m + 0.01
    else:
        assert sized.level_end_m >= floor_m - 1e-6
