"""Rationing in the daily plan: when it is in force, who is watered, what is said; what each way brings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from scheduler.planning.choices import Choices, Way, as_chosen
from scheduler.planning.doses import DEAR_WOODY, RANK_RATIO, plant_weights, rank_weights
from scheduler.planning.garden import garden_model
from scheduler.planning.garden_ahead import garden_ahead
from scheduler.planning.past_years import past_weather, with_days
from scheduler.planning.plan import Plan
from scheduler.planning.root_zones import plant_table
from scheduler.planning.spending import (
    HORIZON_D,
    LITTLE_PAST_D,
    MEMBERS,
    Ration,
    looked_d,
    ration_today,
    store_ahead,
    ways_of,
)
from scheduler.planning.watering import plan_day
from scheduler.planning.ways_to_spend import by_name, ways_to_spend
from scheduler.sensing.belief import LevelBelief
from scheduler.site.model import Plant
from tests.support.dry_gardens import dry_garden
from tests.support.gardens import dry_days, small_garden
from tests.support.planning import need

DAY = date(2012, 7, 20)
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)
MODEL = garden_model(small_garden())
THIRSTY = {"tomato": 20.0, "sage": 60.0, "thyme": 60.0}  # mm missing


def dry_ways(days: int = 40, members: int = 5) -> tuple[np.ndarray, np.ndarray]:
    return np.full((members, days), 6.0), np.zeros((members, days))


def rationed(level_m: float, way: Way = "ranked", model=MODEL) -> Ration | None:  # type: ignore[no-untyped-def]
    store = store_ahead(model, level_m=level_m, depletion_mm=THIRSTY, first=DAY, ways=dry_ways())
    return ration_today(store, way)


def planned(level_m: float, ration: Ration | None, model=MODEL) -> Plan:  # type: ignore[no-untyped-def]
    needs = [need("tomato", 5.0, 1.5), need("sage", 6.0, 1.5), need("thyme", 6.0, 1.5)]
    return plan_day(
        model,
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, level_m, level_m, level_m),
        needs={n.plant: n for n in needs},
        flow_factors={},
        outlook=None,
        ration=ration,
    )


def test_a_store_that_lasts_is_not_rationed() -> None:
    et0, rain = dry_ways(days=3)
    store = store_ahead(MODEL, level_m=0.8, depletion_mm={}, first=DAY, ways=(0.2 * et0, rain))
    assert ration_today(store, "ranked") is None
    assert store.lasting.days_left == (None, None, None)


def test_of_a_short_store_the_first_rank_is_watered_and_the_last_kept_waiting() -> None:
    ration = rationed(0.3)
    assert ration is not None
    plan = planned(0.3, ration)
    assert [r.zone for r in plan.runs] == ["pots"]
    (skipped,) = plan.skipped
    assert skipped.zone == "bed"
    assert skipped.reasons[0].code == "rationed"
    pots = MODEL.site.zone("pots").name
    assert pots in skipped.reasons[0].text
    assert "kept back" in skipped.reasons[0].text
    assert any(r.code == "rationed" and "run short about" in r.text for r in plan.reasons)


def test_a_rationed_run_gives_its_dose_and_tells_what_was_wanted() -> None:
    ration = rationed(0.3)
    assert ration is not None
    (run,) = planned(0.3, ration).runs
    given = ration.zones["pots"].given_l
    assert run.volume_l == pytest.approx(given, rel=0.05)
    assert {s.plant: s.wanted_l for s in run.shares}["tomato"] == 5.0
    assert run.reasons[-1].code in ("rationed", "would_change")


def test_missing_litres_are_enough() -> None:
    """What is said to be missing waters the zone once it is there."""
    level = 0.3
    ration = rationed(level)
    assert ration is not None
    missing = ration.zones["bed"].missing_l
    assert missing is not None and missing > 0.0
    fuller = MODEL.stage.level_m(MODEL.stage.volume_l(level) + missing + 2.0)
    after = rationed(fuller)
    assert after is None or after.zones["bed"].given_l > 0.0


def test_by_choice_only_the_first_rank_or_all_alike() -> None:
    first, alike = rationed(0.3, "first-rank"), rationed(0.3, "alike")
    assert first is not None and alike is not None
    only = planned(0.3, first)
    assert [r.zone for r in only.runs] == ["pots"]
    assert "a person chose" in only.skipped[0].reasons[0].text
    both = planned(0.3, alike, as_chosen(MODEL, Choices("alike")))
    assert {r.zone for r in both.runs} == {"pots", "bed"}


def test_a_person_puts_the_last_first() -> None:
    chosen = as_chosen(MODEL, Choices(ranks={"sage": 1, "thyme": 1, "tomato": 9}))
    assert {p.id: p.rank for p in chosen.site.plants} == {"sage": 1, "thyme": 1, "tomato": 9}
    plan = planned(0.3, rationed(0.3, model=chosen), chosen)
    assert plan.runs[0].zone == "bed"  # which is kept waiting at the ranks of the site file
    assert MODEL.site.plant("sage").rank != 1  # the site file stands


def test_a_released_reserve_may_be_drawn() -> None:
    released = as_chosen(MODEL, Choices(reserve_released=True))
    for zone in MODEL.zones:
        assert released.floor_level_m(zone) == MODEL.zones[zone].worst_stop_m
        assert MODEL.floor_level_m(zone) >= MODEL.reserve_level_m
    assert as_chosen(MODEL, Choices()) is MODEL


def test_the_same_inputs_give_the_same_ration() -> None:
    days = dry_days(DAY - timedelta(days=90), 97)
    past = past_weather([d for d in days if d.day < DAY], MODEL.site.place)
    one, other = (ways_of(MODEL.site.place, DAY, days[90:], past) for _ in range(2))
    assert one is not None and other is not None
    assert np.array_equal(one[0], other[0]) and np.array_equal(one[1], other[1])
    assert one[0].shape == (MEMBERS, HORIZON_D)
    again = [
        ration_today(store_ahead(MODEL, level_m=0.3, depletion_mm=THIRSTY, first=DAY, ways=w), "ranked")
        for w in (one, other)
    ]
    assert again[0] == again[1]


def test_without_a_past_rationing_looks_no_further_than_twice_the_forecast() -> None:
    days = dry_days(DAY - timedelta(days=10), 17)
    past = past_weather([d for d in days if d.day < DAY], MODEL.site.place)
    assert looked_d(past, DAY) == looked_d(None, DAY) == LITTLE_PAST_D
    ways = ways_of(MODEL.site.place, DAY, days[10:], past)
    assert ways is not None
    ration = ration_today(
        store_ahead(MODEL, level_m=0.25, depletion_mm=THIRSTY, first=DAY, ways=ways), "ranked", LITTLE_PAST_D
    )
    assert ration is not None and ration.looked_d == LITTLE_PAST_D
    assert ways_of(MODEL.site.place, DAY, (), None) is None


def test_days_told_later_mend_the_past() -> None:
    days = dry_days(DAY - timedelta(days=20), 20)
    past = past_weather(days[:15], MODEL.site.place)
    wet = [replace(d, rain_mm=7.0) for d in days[13:]]
    joined = with_days(past, wet, MODEL.site.place)
    whole = past_weather([*days[:13], *wet], MODEL.site.place)
    assert joined is not None and whole is not None
    assert joined.first == whole.first
    assert joined.rain_mm.tolist() == whole.rain_mm.tolist()
    assert joined.et0_mm.tolist() == whole.et0_mm.tolist()
    assert with_days(None, (), MODEL.site.place) is None


def test_what_is_dearer_to_replace_counts_more_within_a_rank_and_never_outweighs_one() -> None:
    assert 1.0 < DEAR_WOODY < RANK_RATIO
    days = [DAY]
    garden = dry_garden(days, full_l=500.0)
    weights = dict(zip((p.id for p in garden.table.plants), plant_weights(garden), strict=True))
    assert weights["beans"] == pytest.approx(rank_weights(garden)[2])
    tree = replace(MODEL.site.plant("sage"), trunk_diameter_m=0.03)
    site = replace(MODEL.site, plants=tuple(tree if p.id == "sage" else p for p in MODEL.site.plants))
    plain, dear = (garden_ahead(m, days) for m in (MODEL, replace(MODEL, site=site)))
    at = [p.id for p in plain.table.plants].index("sage")
    assert plant_weights(dear)[at] > plant_weights(plain)[at]


# --- ways to spend ---------------------------------------------------------------------------------------

DAYS = [date(2013, 6, 20) + timedelta(days=n) for n in range(40)]


def test_each_way_says_who_gets_how_much_and_what_is_at_risk_from_when() -> None:
    garden = dry_garden(DAYS, full_l=600.0)
    et0, rain = dry_ways(40, 6)
    found = ways_to_spend(garden, 300.0, 0.4 * garden.table.taw_mm, et0, rain)
    assert [s.way for s in found] == ["ranked", "first-rank", "alike"]
    ranked, first, alike = (by_name(found, w) for w in ("ranked", "first-rank", "alike"))
    for spent in found:
        assert spent.given_l <= 300.0 - 40.0 + 1e-6  # the reserve is kept
        # What its emitters give is what its plants get: every emitter of this garden has a plant.
        assert sum(p.given_l for p in spent.plants) == pytest.approx(spent.given_l, rel=0.02)
        assert spent.left_l >= 40.0 - 1e-6
    assert ranked.stress < alike.stress
    assert ranked.stress <= first.stress + 1e-6
    by_id = {p.plant: p for p in first.plants}
    assert by_id["grass"].given_l == 0.0
    assert by_id["grass"].at_risk_from is not None
    assert by_id["pot-tomato"].given_l > 0.0
    assert alike.last_day is not None and alike.last_day < DAYS[-1]


def test_a_full_store_puts_no_plant_at_risk_in_any_way_that_waters_it() -> None:
    garden = dry_garden(DAYS, full_l=9000.0)
    et0, rain = dry_ways(40, 4)
    ranked, _, alike = ways_to_spend(garden, 9000.0, 0.2 * garden.table.taw_mm, et0, rain)
    for spent in (ranked, alike):
        assert [p.at_risk_from for p in spent.plants] == [None] * len(spent.plants)
        assert spent.last_day is None


@pytest.mark.parametrize("held_l", [9000.0, 300.0])
def test_what_is_wanted_and_not_given_comes_out_of_the_soil_or_is_missed(held_l: float) -> None:
    """The books of a root zone without rain (FAO-56 Eq 85): use = water given + what the soil lacks more,
    but for what runs past the roots."""
    garden = dry_garden(DAYS, full_l=9000.0)
    et0, rain = dry_ways(40, 4)
    for spent in ways_to_spend(garden, held_l, 0.2 * garden.table.taw_mm, et0, rain):
        past_roots_l = [
            p.given_l + p.from_soil_l + p.missed_share * p.wanted_l - p.wanted_l for p in spent.plants
        ]
        assert min(past_roots_l) == pytest.approx(0.0, abs=1e-6), spent.way  # more only runs past the roots
    ranked = ways_to_spend(garden, 9000.0, 0.2 * garden.table.taw_mm, et0, rain)[0]
    assert any(p.from_soil_l > 1.0 for p in ranked.plants)


def test_a_young_tree_without_water_is_at_risk() -> None:
    tree = Plant(
        "cherry",
        "Young cherry",
        "fig",
        1.0,
        1,
        soil="loam",
        planted=date(2013, 4, 1),
        trunk_diameter_m=0.03,
    )
    garden = dry_garden(DAYS, full_l=600.0)
    plants = [tree, *garden.table.plants[1:]]
    young = replace(garden, table=plant_table(plants, DAYS))
    et0, rain = dry_ways(40, 4)
    spent = by_name(ways_to_spend(young, 41.0, young.start({}), et0, rain), "ranked")
    assert spent.plants[0].given_l == pytest.approx(0.0, abs=1.0)
    assert spent.plants[0].at_risk_from is not None
