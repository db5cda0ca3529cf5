"""A day's plan: who is watered, when, in which order, and who not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.agronomy.need import PlantNeed
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.plan import Plan
from scheduler.planning.sizing import occupied_s
from scheduler.planning.soaking import Begun, whole_runs
from scheduler.planning.watering import LEAST_USEFUL_SHARE, plan_day
from scheduler.planning.windows import spans_of_day
from scheduler.sensing.belief import UNKNOWN_LEVEL, LevelBelief
from scheduler.sensing.flow import FlowFactor
from scheduler.site.model import WateringWindow
from tests.support.gardens import small_garden
from tests.support.planning import large_site, need

DAY = date(2012, 7, 20)
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)  # 1 h local
MODEL = garden_model(small_garden())
LARGE = garden_model(large_site(4, 24))


def belief(level_m: float, half_m: float = 0.0, quality: str = "good") -> LevelBelief:
    return LevelBelief(quality, NOW, level_m, level_m - half_m, level_m + half_m)  # type: ignore[arg-type]


def plan(needs: list[PlantNeed], level_m: float = 0.7, *, model: GardenModel = MODEL, **more: object) -> Plan:
    options: dict[str, object] = {
        "now": NOW,
        "day": DAY,
        "belief": belief(level_m),
        "flow_factors": {},
        "outlook": None,
    }
    return plan_day(model, needs={n.plant: n for n in needs}, **(options | more))  # type: ignore[arg-type]


def codes(p: Plan, zone: str) -> list[str]:
    return [r.code for s in (*p.runs, *p.skipped) if s.zone == zone for r in s.reasons]


ALL_DUE = [need("tomato", 5.0), need("sage", 6.0), need("thyme", 6.0)]


def test_due_zones_run_one_after_the_other_in_the_window_from_the_level_left() -> None:
    p = plan(ALL_DUE)
    assert [r.zone for r in whole_runs(p.runs)] == ["pots", "bed"]
    (span,) = spans_of_day(MODEL.site, DAY)
    first, second, *_ = p.runs
    assert first.start == span.start
    assert second.start >= first.start + timedelta(
        seconds=occupied_s(MODEL.zones["pots"].zone.valve, first.run_s)
    )
    assert second.level_start_m == first.level_end_m
    assert {s.plant: s.wanted_l for s in p.shares} == {"tomato": 5.0, "sage": 6.0, "thyme": 6.0}


def test_a_zone_without_a_due_plant_rests_and_says_so() -> None:
    p = plan([need("tomato", 5.0), need("sage", 2.0, 0.4), need("thyme", 1.0, 0.2)])
    assert [r.zone for r in p.runs] == ["pots"]
    assert codes(p, "bed") == ["not_due"]
    assert "Sage" in p.skipped[0].reasons[0].text
    shares = {s.plant: s for s in p.shares}
    assert shares["sage"].given_l == 0.0 and shares["sage"].wanted_l == 2.0


def test_a_plant_not_due_is_served_with_its_zone() -> None:
    p = plan([need("tomato", 0.0, 0.0), need("sage", 6.0), need("thyme", 3.0, 0.5)])
    thyme = next(s for s in p.shares if s.plant == "thyme")
    assert not thyme.due and thyme.given_l > 1.0
    assert [r.code for r in thyme.reasons] == ["not_due", "served_with_zone"]


def test_the_same_inputs_give_the_same_plan() -> None:
    assert plan(ALL_DUE) == plan(ALL_DUE)
    assert plan(ALL_DUE) == plan(ALL_DUE, model=garden_model(small_garden()))


def test_a_lower_level_gives_longer_runs_for_the_same_litres() -> None:
    high, low = plan(ALL_DUE, 0.7), plan(ALL_DUE, 0.4)
    assert low.runs[0].run_s > 1.1 * high.runs[0].run_s
    assert low.runs[0].volume_l == pytest.approx(high.runs[0].volume_l, rel=0.01)


def test_when_there_is_not_enough_the_first_rank_is_served_whole_and_the_last_not_at_all() -> None:
    usable_l = 8.0
    level_m = MODEL.stage.level_m(MODEL.stage.volume_l(MODEL.reserve_level_m) + usable_l)
    p = plan(ALL_DUE, level_m)
    assert [r.zone for r in p.runs] == ["pots"]
    assert p.runs[0].shares[0].given_l == pytest.approx(5.0, rel=0.02)
    assert codes(p, "bed")[0] == "rationed"


def test_no_zone_of_a_lower_rank_gets_what_a_higher_one_was_refused() -> None:
    usable_l = 4.0
    level_m = MODEL.stage.level_m(MODEL.stage.volume_l(MODEL.reserve_level_m) + usable_l)
    p = plan([need("tomato", 20.0), need("sage", 1.0), need("thyme", 1.0)], level_m)
    assert p.runs == ()
    assert codes(p, "pots")[0] == "rationed" and codes(p, "bed") == ["rationed"]


def test_above_the_least_share_a_cut_run_is_given_and_told() -> None:
    usable_l = 14.0
    level_m = MODEL.stage.level_m(MODEL.stage.volume_l(MODEL.reserve_level_m) + usable_l)
    p = plan([need("tomato", 20.0)], level_m)
    share = p.runs[0].shares[0].given_l / 20.0
    assert LEAST_USEFUL_SHARE < share < 0.75
    assert "rationed" in codes(p, "pots") and "reserve" in codes(p, "pots")


def test_what_is_not_known_of_the_level_is_not_drawn() -> None:
    level_m = MODEL.reserve_level_m + 0.04
    p = plan([need("tomato", 30.0)], belief=belief(level_m, 0.01))
    assert p.runs[0].level_end_m >= MODEL.reserve_level_m + 0.01 - 1e-6
    assert plan([need("tomato", 30.0)], belief=belief(level_m, 0.05)).runs == ()


def test_a_doubtful_level_says_so() -> None:
    p = plan(ALL_DUE, belief=replace(belief(0.6, 0.05, "doubtful"), why=("a reading is late",)))
    assert [r.code for r in p.reasons] == ["level_doubtful"]
    assert "a reading is late" in p.reasons[0].text


def test_no_doubtful_level_is_told_as_one_below_the_outlet() -> None:
    """The barrels are nearly empty, and the level is known to 5 cm: nothing lies below the outlet."""
    p = plan(ALL_DUE, belief=replace(belief(0.01, 0.05, "doubtful"), why=("a reading is late",)))
    assert "below what 0.0 cm above the outlet allows" in p.reasons[0].text


def test_an_unknown_level_waters_nothing() -> None:
    p = plan(ALL_DUE, belief=UNKNOWN_LEVEL)
    assert p.runs == ()
    assert codes(p, "pots") == codes(p, "bed") == ["level_unknown"]
    assert p.store.usable_l is None and p.store.days_left_middle is None


@pytest.mark.parametrize(("hours", "runs"), [(47, 2), (49, 0)])
def test_a_level_known_two_days_ago_serves_with_its_lower_bound(hours: int, runs: int) -> None:
    old = replace(belief(0.6, 0.1), at=NOW - timedelta(hours=hours))
    p = plan(ALL_DUE, belief=UNKNOWN_LEVEL, last_known=old)
    assert len(whole_runs(p.runs)) == runs
    if runs:
        assert p.runs[0].level_start_m == pytest.approx(0.5)


def test_a_held_zone_is_left_alone() -> None:
    p = plan(ALL_DUE, held=("pots",))
    assert codes(p, "pots") == ["held"] and {r.zone for r in p.runs} == {"bed"}


def outlook(rain_mm: float | None, probability: float | None) -> Outlook:
    return Outlook((DayWeather(DAY, 12.0, 20.0, rain_mm, probability),), "test file", NOW)


@pytest.mark.parametrize(
    ("rain_mm", "probability", "overdue", "waits"),
    [
        (15.0, 0.9, 1.05, True),
        (15.0, 0.5, 1.05, False),  # not probable enough
        (1.0, 0.95, 1.05, False),  # too little
        (15.0, 0.9, 1.5, False),  # overdue: put off no longer
        (None, 0.9, 1.05, False),  # unknown rain is no rain to wait for
        (15.0, None, 1.05, False),
    ],
)
def test_probable_rain_puts_off_what_is_not_far_overdue(
    rain_mm: float | None, probability: float | None, overdue: float, waits: bool
) -> None:
    needs = [need("sage", 4.0, overdue), need("thyme", 4.0, overdue), need("tomato", 5.0, 1.05)]
    p = plan(needs, outlook=outlook(rain_mm, probability))
    assert (codes(p, "bed") == ["rain_expected"]) is waits
    assert "pots" in [r.zone for r in p.runs]  # a container never waits


@pytest.mark.parametrize(("rain_mm", "waits"), [(0.3, False), (15.0, True)])
def test_the_rest_of_a_run_is_put_off_only_by_rain_that_is_worth_it(rain_mm: float, waits: bool) -> None:
    """Its first openings have made every plant no longer due; a drop of rain does not replace the others."""
    needs = [need("sage", 2.5, 0.4), need("thyme", 2.5, 0.4), need("tomato", 2.5, 0.4)]
    begun = {
        "bed": Begun(1, NOW, {"sage": 2.0, "thyme": 2.0}),
        "pots": Begun(1, NOW, {"tomato": 2.0}),
    }
    p = plan(needs, outlook=outlook(rain_mm, 1.0), begun=begun)
    assert (codes(p, "bed") == ["rain_expected"]) is waits
    assert "pots" in [r.zone for r in p.runs]  # a container never waits


ALL_DAY = (WateringWindow(time(1), time(23)),)


def short_opening(longest_open_s: float, model: GardenModel = MODEL) -> GardenModel:
    """The garden watered at any hour by a node that opens for so long at most."""
    node = replace(model.site.node, longest_open_s=longest_open_s)
    return replace(model, site=replace(model.site, node=node, windows=ALL_DAY))


# Of each valve of the small garden, seconds: 8 to open and 8 to close.
TRAVEL_S = 16.0


def test_the_longest_opening_ends_each_opening_of_a_split_run_and_not_their_sum() -> None:
    """20 L at 16.8 L/h take 71 min; the loam under the sage takes 29 min of it at once, the node 40 min."""
    p = plan([need("sage", 10.0), need("thyme", 10.0)], model=short_opening(2400.0))
    assert [r.pulses for r in p.runs] == [3, 3, 3]
    assert max(r.run_s for r in p.runs) + TRAVEL_S <= 1800.0
    (whole,) = whole_runs(p.runs)
    assert whole.run_s == pytest.approx(3600.0 * 20.0 / 16.8, rel=0.05)  # the level falls a little meanwhile
    assert [s.given_l for s in whole.shares] == pytest.approx([10.0, 10.0], rel=0.02)
    assert sum(r.volume_l for r in p.runs) == pytest.approx(20.0, rel=0.01)
    assert "longest_open" not in codes(p, "bed") and "longest_day" not in codes(p, "bed")


def test_the_openings_of_a_day_have_no_more_time_than_the_node_keeps_a_valve_open_in_a_day() -> None:
    """Twice half an hour; three openings of 8 s and 8 s of travel leave 3600 - 48 s of it."""
    p = plan([need("sage", 30.0), need("thyme", 30.0)], model=short_opening(1800.0))
    assert [r.pulses for r in p.runs] == [3, 3, 3]
    assert sum(r.run_s for r in p.runs) == pytest.approx(3552.0)
    (reason,) = [r for r in p.runs[0].reasons if r.code == "longest_day"]
    assert "in all its openings of a day a valve stays open for 59 min at most (2 times" in reason.text
    given_l = sum(s.given_l for r in p.runs for s in r.shares)
    assert dict(reason.figures)["share"] == pytest.approx(given_l / 60.0)


def test_a_run_that_is_not_split_after_all_is_cut_to_one_opening() -> None:
    """The pots would drain the barrels below the bed's floor before its second opening."""
    site = replace(MODEL.site, plants=tuple(replace(p, rank=3 - min(p.rank, 2)) for p in MODEL.site.plants))
    high = replace(MODEL.zones["bed"], worst_stop_m=0.55)
    model = short_opening(2400.0, replace(MODEL, site=site, zones={**MODEL.zones, "bed": high}))
    p = plan([need("tomato", 26.0), need("sage", 6.0), need("thyme", 6.0)], 0.585, model=model)
    assert [(r.zone, r.pulses) for r in p.runs] == [("bed", 1), ("pots", 1)]
    assert p.runs[0].run_s == pytest.approx(2400.0 - TRAVEL_S)
    assert "longest_open" in codes(p, "bed")


def test_a_long_run_that_pauses_leaves_the_window_to_the_next_zone() -> None:
    """Four hours, and a node that opens for 2 h at once: the bed's openings have more than an hour between
    them, in which the pots have their 5 L within a quarter of an hour."""
    ranks = {"tomato": 3, "sage": 1, "thyme": 2}
    site = replace(MODEL.site, plants=tuple(replace(p, rank=ranks[p.id]) for p in MODEL.site.plants))
    p = plan([need("tomato", 5.0), need("sage", 40.0), need("thyme", 40.0)], model=garden_model(site))
    assert [r.zone for r in p.runs] == ["bed", "pots", "bed"] and p.runs[0].pulses > 5
    (pots,) = [r for r in p.runs if r.zone == "pots"]
    assert pots.volume_l == pytest.approx(5.0, rel=0.02)
    for earlier, later in pairwise(p.runs):
        assert later.start >= earlier.start + timedelta(seconds=earlier.run_s + TRAVEL_S)


@settings(max_examples=40, deadline=None)
@given(st.floats(60.0, 7200.0), st.floats(1.0, 60.0), st.floats(1.0, 60.0), st.floats(0.2, 0.8))
def test_no_opening_is_longer_than_the_nodes_and_no_day_than_two_of_them(
    longest_open_s: float, sage_l: float, thyme_l: float, level_m: float
) -> None:
    model = short_opening(longest_open_s)
    p = plan([need("sage", sage_l), need("thyme", thyme_l), need("tomato", 9.0)], level_m, model=model)
    for zone in ("bed", "pots"):
        runs_s = [r.run_s + TRAVEL_S for r in p.runs if r.zone == zone]
        assert max(runs_s, default=0.0) <= longest_open_s + 1e-6
        assert sum(runs_s) <= 2.0 * longest_open_s + 1e-6
    in_turn = sorted(p.runs, key=lambda r: r.start)
    for earlier, later in pairwise(in_turn):
        assert later.start >= earlier.start + timedelta(seconds=earlier.run_s + TRAVEL_S)
    begins_l, ends_l = MODEL.stage.volume_l(level_m), MODEL.stage.volume_l(min(_ends(p, level_m)))
    assert begins_l - ends_l == pytest.approx(sum(r.volume_l for r in p.runs), abs=1e-6)
    assert min(_ends(p, level_m)) >= min(level_m, MODEL.reserve_level_m) - 1e-6


def _ends(p: Plan, level_m: float) -> list[float]:
    return [r.level_end_m for r in p.runs] or [level_m]


@pytest.mark.parametrize(("next_from", "placed", "left_out"), [(13, 2, 3), (15, 1, 4), (16, 0, 5)])
def test_a_plan_made_anew_says_that_openings_of_a_begun_run_find_no_window(
    next_from: int, placed: int, left_out: int
) -> None:
    """One of six openings is over; until the window ends at 16:00 UTC others of 24 min, 92 min apart."""
    rest = {"bed": Begun(1, datetime(2012, 7, 20, next_from, 0, tzinfo=UTC), {"sage": 16.7, "thyme": 16.7})}
    now = datetime(2012, 7, 20, 12, 45, tzinfo=UTC)
    p = plan([need("sage", 20.0), need("thyme", 20.0)], now=now, begun=rest)
    assert [(r.zone, r.pulse) for r in p.runs] == [("bed", n + 2) for n in range(placed)]
    if not placed:
        assert codes(p, "bed") == ["window"]
        return
    (reason,) = [r for run in p.runs for r in run.reasons if r.code == "window"]
    assert dict(reason.figures) == {"left_out": float(left_out)} and reason in p.runs[0].reasons
    assert f"{left_out} of 6 openings find no window today" in reason.text


def test_no_window_left_means_no_run() -> None:
    p = plan(ALL_DUE, now=NOW + timedelta(hours=14))
    assert p.runs == () and codes(p, "pots") == ["window"]


def test_a_zone_that_does_not_fit_goes_to_the_next_window() -> None:
    windows = (WateringWindow(time(5), time(5, 10)), WateringWindow(time(20), time(22)))
    model = garden_model(replace(small_garden(), windows=windows))
    p = plan([need("tomato", 6.0)], model=model)
    assert p.runs[0].start == spans_of_day(model.site, DAY)[1].start
    assert "window" not in codes(p, "pots")


def test_more_overdue_goes_first_within_a_rank() -> None:
    site = small_garden()
    model = garden_model(replace(site, plants=tuple(replace(q, rank=1) for q in site.plants)))
    p = plan([need("tomato", 4.0, 1.0), need("sage", 4.0, 1.4), need("thyme", 4.0, 1.0)], model=model)
    assert [r.zone for r in whole_runs(p.runs)] == ["bed", "pots"]


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_plan_keeps_the_rules(data: st.DataObject) -> None:
    model = LARGE
    level_m = data.draw(st.floats(0.0, model.stage.brim_level_m), "level")
    half_m = data.draw(st.floats(0.0, 0.05), "half")
    now = NOW + timedelta(hours=data.draw(st.floats(0.0, 10.0), "hours"))
    needs = [
        need(p.id, data.draw(st.floats(0.0, 25.0)), data.draw(st.floats(0.0, 2.0))) for p in model.site.plants
    ]
    factors = {z: FlowFactor(data.draw(st.floats(0.6, 1.2)), 0.02) for z in model.zones}
    p = plan(needs, belief=belief(level_m, half_m), model=model, flow_factors=factors, now=now)
    level, end = level_m, now
    spans = spans_of_day(model.site, DAY)
    for r in p.runs:
        assert r.level_start_m == level
        assert r.level_end_m >= model.floor_level_m(r.zone) + half_m - 1e-6
        drop_l = model.stage.volume_l(r.level_start_m) - model.stage.volume_l(r.level_end_m)
        assert r.volume_l == pytest.approx(drop_l, abs=1e-6)
        assert r.start >= end
        end = r.start + timedelta(seconds=occupied_s(model.zones[r.zone].zone.valve, r.run_s))
        assert any(s.start <= r.start and end <= s.end + timedelta(milliseconds=1) for s in spans)
        level = r.level_end_m
        assert r.reasons
    assert {r.zone for r in p.runs} | {s.zone for s in p.skipped} == set(model.zones)
    assert not {r.zone for r in p.runs} & {s.zone for s in p.skipped}
    assert [s.plant for s in p.shares] == [q.id for q in model.site.plants]
