"""A plant that holds its zone back is named: it ends the run early, or stops the zone whole."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.holding import stops_zone
from scheduler.planning.plan import PlannedRun, Reason, SkippedZone
from scheduler.planning.sizing import OVER_MAX, size_run
from scheduler.planning.watering import plan_day
from scheduler.report.plan import plan_answer, plan_rows
from scheduler.sensing.belief import LevelBelief
from scheduler.site.model import Emitter, Line, Plant, Point, Site
from tests.support.gardens import small_garden
from tests.support.planning import need

DAY = date(2012, 7, 20)
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)


def with_mint(drop_m: float, *, raised: str | None = None) -> Site:
    """The small garden with one mint at the end of the bed's line; ``raised``: a plant that lies as high."""
    site = small_garden()
    pots, bed = site.zones
    points = [
        replace(p, drop_m=-0.42) if any(e.plant == raised for e in p.emitters) else p
        for p in bed.lines[0].points
    ]
    mint = Point(bed.lines[0].length_m, drop_m, (Emitter("e-mint", "bubbler", "mint", 8.0, 0.5),))
    line: Line = replace(bed.lines[0], points=(*points, mint))
    plant = Plant("mint", "Mint", "thyme", 0.05, 4, soil="loam", plant_factor=0.4, root_depth_m=0.3)
    return replace(site, zones=(pots, replace(bed, lines=(line,))), plants=(*site.plants, plant))


def sized(model: GardenModel, targets: dict[str, float], level_m: float) -> PlannedRun | SkippedZone:
    return size_run(model, "bed", start=NOW, level_m=level_m, targets_l=targets, longest_open_s=86400.0)


def held(run: PlannedRun | SkippedZone) -> Reason | None:
    return next((r for r in run.reasons if r.code == "held_back"), None)


LOW_MINT = garden_model(with_mint(0.4))
HIGH_MINT = garden_model(with_mint(-0.45))
WANTS = {"sage": 6.0, "thyme": 6.0}


def test_a_small_plant_among_thirsty_ones_is_named_with_what_the_others_get() -> None:
    run = sized(LOW_MINT, {**WANTS, "mint": 0.4}, 0.6)
    assert isinstance(run, PlannedRun)
    reason = held(run)
    assert reason is not None
    figures = dict(reason.figures)
    others = [s for s in run.shares if s.plant != "mint"]
    share = sum(s.given_l for s in others) / sum(s.wanted_l for s in others)
    assert figures["plants"] == "Mint" and figures["others_share"] == pytest.approx(share) and share < 0.2
    assert figures["bound"] == "too_much"  # it gets all the surplus that sizing allows, and no more
    mint = next(s for s in run.shares if s.plant == "mint")
    assert mint.given_l == pytest.approx((1.0 + OVER_MAX) * mint.wanted_l, rel=0.02)
    assert reason.text.startswith("Held to ") and " by Mint: it wants 0.4 L and gets 0.6 L" in reason.text
    assert "or a zone apart for it" in reason.text


def test_what_the_reason_advises_gives_the_others_theirs() -> None:
    run = sized(garden_model(small_garden()), WANTS, 0.6)
    assert held(run) is None
    assert sum(s.given_l for s in run.shares) == pytest.approx(sum(WANTS.values()), rel=0.05)


def test_a_run_balanced_between_plants_says_that_and_not_that_the_bound_is_reached() -> None:
    needs = {"mint": need("mint", 0.4, 0.1), **{p: need(p, w, 1.2) for p, w in WANTS.items()}}
    run = size_run(
        LOW_MINT,
        "bed",
        start=NOW,
        level_m=0.6,
        targets_l={**WANTS, "mint": 2.9},
        needs=needs,
        longest_open_s=86400.0,
    )
    reason = held(run)
    assert reason is not None and dict(reason.figures)["bound"] == "balance"
    assert "would weigh more than what the others lack" in reason.text


@pytest.mark.parametrize(
    "targets", [WANTS, {"sage": 6.0, "thyme": 5.0}, {"sage": 6.0, "thyme": 6.0, "mint": 5.5}]
)
def test_nobody_is_named_where_the_others_get_nearly_all_they_want(targets: dict[str, float]) -> None:
    assert held(sized(LOW_MINT, targets, 0.6)) is None


def test_a_run_cut_by_the_window_names_the_window_alone() -> None:
    run = size_run(
        LOW_MINT, "bed", start=NOW, level_m=0.6, targets_l={**WANTS, "mint": 0.4}, longest_open_s=60.0
    )
    assert isinstance(run, PlannedRun) and held(run) is None
    assert "longest_open" in [r.code for r in run.reasons]


def test_a_plant_above_the_water_that_stops_its_zone_is_named_with_the_way_out() -> None:
    found = sized(HIGH_MINT, {**WANTS, "mint": 0.4}, 0.39)
    assert isinstance(found, SkippedZone)
    (reason,) = found.reasons
    assert reason.code == "worst_emitter" and dict(reason.figures)["plants"] == "Mint"
    assert "it no longer reaches Mint: nothing can be given. Mint stops the whole zone" in reason.text


def test_without_it_the_others_are_watered_down_to_the_level_that_is_told() -> None:
    stops = stops_zone(HIGH_MINT, "bed", 0.39)
    assert stops is not None
    plants, down_to_m = stops
    assert plants == ("mint",)
    without = garden_model(small_garden())
    assert isinstance(sized(without, WANTS, 0.39), PlannedRun)
    assert down_to_m == pytest.approx(without.floor_level_m("bed"), abs=0.002)


def test_all_that_the_level_does_not_reach_are_named() -> None:
    """To take only the highest off would not help: the next one stops the zone as well."""
    model = garden_model(with_mint(-0.45, raised="thyme"))
    found = sized(model, WANTS, 0.39)
    assert "Thyme and Mint stop the whole zone" in found.reasons[0].text


def test_no_way_out_is_told_where_the_reserve_ends_it_or_nobody_else_would_have_water() -> None:
    assert stops_zone(HIGH_MINT, "bed", HIGH_MINT.reserve_level_m + 0.001) is None
    behind_a_rise = garden_model(with_mint(-0.45, raised="sage"))  # the line to all others passes over it
    assert stops_zone(behind_a_rise, "bed", 0.39) is None
    (reason,) = sized(behind_a_rise, WANTS, 0.39).reasons
    assert "stops the whole zone" not in reason.text


def test_days_left_of_a_stopped_zone_say_what_they_count() -> None:
    plan = plan_day(
        HIGH_MINT,
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, 0.39, 0.39, 0.39),
        needs={p: need(p, w, 1.2) for p, w in {**WANTS, "mint": 0.4}.items()},
        flow_factors={},
        outlook=None,
    )
    short = replace(plan, store=replace(plan.store, days_left_middle=0))
    title = plan_rows(HIGH_MINT.site, plan_answer(short, 0.39))[0][0]
    assert "not watered at this level is bed, for water does not reach Mint" in title
    assert "What can be used is left for the others" in title and "0 days" not in title
    one = replace(plan, store=replace(plan.store, days_left_middle=1))
    assert plan_rows(HIGH_MINT.site, plan_answer(one, 0.39))[0][0].endswith("lasts about 1 day")
