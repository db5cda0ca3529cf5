"""Laws of rationing, over gardens, stores and weather drawn at random."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.planning.doses import (
    LEAST_USEFUL_SHARE,
    coming,
    litre_values,
    next_mm,
    rank_weights,
    zone_doses_l,
)
from scheduler.planning.garden_ahead import GardenAhead
from scheduler.planning.rationing import (
    PARTS,
    Allotment,
    Demand,
    allotted,
    slack_l,
    unlimited_demand,
    value_levels,
)
from scheduler.planning.root_zones import readily_mm, use_mm, zones_day
from scheduler.site.model import Roof
from tests.support.dry_gardens import dry_garden

FIRST = date(2013, 6, 20)
DAYS = [FIRST + timedelta(days=n) for n in range(40)]
MEMBERS = 6
RESERVE_L = 40.0


def weather(seed: int, wet: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    et0 = rng.uniform(3.0, 7.0, (MEMBERS, len(DAYS)))
    rain = np.where(rng.random(et0.shape) < wet, rng.exponential(5.0, et0.shape), 0.0)
    return et0, rain


def ration(garden: GardenAhead, held_l: float, dry: float, seed: int, wet: float = 0.05) -> Allotment:
    """``dry``: how much of what is available each plant has used up."""
    return allotted(garden, held_l, dry * garden.table.taw_mm, *weather(seed, wet))


many = settings(max_examples=40, deadline=None)
held = st.floats(0.0, 600.0)
dryness = st.floats(0.0, 1.0)
seeds = st.integers(0, 10**6)


@many
@given(held, dryness, seeds)
def test_the_reserve_is_never_drawn_on(held_l: float, dry: float, seed: int) -> None:
    found = ration(dry_garden(DAYS, full_l=600.0, reserve_l=RESERVE_L), held_l, dry, seed)
    assert found.litres.sum() <= max(0.0, held_l - RESERVE_L) + 1e-9


@many
@given(held, dryness, seeds)
def test_a_zone_gets_a_useful_dose_or_nothing(held_l: float, dry: float, seed: int) -> None:
    found = ration(dry_garden(DAYS, full_l=600.0), held_l, dry, seed)
    watered = found.litres > 0.0
    assert np.all(found.litres[watered] >= LEAST_USEFUL_SHARE * found.dose_l[watered] - 1e-9)
    assert np.all(found.litres <= found.dose_l + 1e-9)


@many
@given(held, dryness, seeds)
def test_no_litre_goes_past_a_dearer_one_that_is_cut(held_l: float, dry: float, seed: int) -> None:
    """A zone that is cut is cut for a dearer one's sake or by its floor, never for a cheaper one."""
    found = ration(dry_garden(DAYS, full_l=600.0), held_l, dry, seed)
    cut = np.flatnonzero((found.dose_l > 0.0) & (found.litres <= 0.0))
    for zone in cut:
        lesser = found.value < found.value[zone]
        # Less than half a dose over the floor may still be a whole one of a lesser zone.
        free = held_l - RESERVE_L - found.litres[~lesser].sum()
        if free >= LEAST_USEFUL_SHARE * found.dose_l[zone]:
            assert not np.any(found.litres[lesser] > 0.0)


def test_of_equal_use_the_better_rank_is_worth_more() -> None:
    garden = dry_garden(DAYS, full_l=300.0)
    et0, rain = np.full((2, 40), 5.0), np.zeros((2, 40))
    value = litre_values(garden, garden.start({}), coming(garden.table, et0, rain), PARTS)[0][0, 0]
    pots, bed, _, border, strip = value
    assert pots > bed > border > strip
    assert rank_weights(garden)[0] == 1.0


def test_the_owners_ranks_come_first_whatever_the_plants_sizes() -> None:
    """A litre does small pots more good than a large strip of grass; the owner put the grass first."""
    garden = dry_garden(DAYS, full_l=300.0)
    owner = replace(garden, ranks=np.array([2, 2, 3, 3, 3, 4, 4, 4, 1]))
    et0, rain = np.full((2, 40), 5.0), np.zeros((2, 40))
    ahead = coming(owner.table, et0, rain)
    dry = 0.8 * owner.table.taw_mm
    per_litre = rank_weights(owner) * owner.table.net_mm(owner.shares)
    assert per_litre[8] / 0.7 < (per_litre[:2] / (0.9, 0.8)).sum()  # by the weights alone the pots win
    pots, bed, shrubs, border, strip = litre_values(owner, dry, ahead, PARTS)[0][0, 0]
    assert strip >= pots > max(bed, shrubs) > border
    found = allotted(owner, RESERVE_L + 40.0, dry, et0, rain)
    assert found.litres[4] > 0.0 and found.litres[1:4].tolist() == [0.0] * 3
    # What the first rank would not use is worth no more for its rank.
    wet = dry.copy()
    wet[8] = 0.0
    flood = np.zeros((2, 40))
    flood[:, 1] = 200.0
    values = litre_values(owner, wet, coming(owner.table, et0, flood), PARTS)[0][0, 0]
    assert values[4] < values[0]


def test_a_litre_is_worth_less_towards_the_end() -> None:
    garden = dry_garden(DAYS, full_l=300.0)
    et0, rain = np.full((2, 40), 5.0), np.zeros((2, 40))
    value = litre_values(garden, 0.9 * garden.table.taw_mm, coming(garden.table, et0, rain), PARTS)[0][:, 0]
    assert np.all(np.diff(value, axis=0) < 0.0)


def test_a_litre_of_a_dose_is_worth_what_it_spares_two_beds_run_to_the_end() -> None:
    """The formula against the balance itself: a dose given to plants that are just short, none after it."""
    garden = dry_garden(DAYS, full_l=300.0)
    table, shares = garden.table, garden.shares
    et0, rain = np.full((1, 40), 5.0), np.zeros((1, 40))
    raw = readily_mm(table, 0, use_mm(table, 0, et0[:, 0]))[0]

    def stress(start: np.ndarray) -> np.ndarray:
        root, lacking = start[None], np.zeros(len(start))
        for i in range(len(DAYS)):
            day = zones_day(table, i, root, et0[:, i], rain[:, i], np.zeros_like(root))
            root, lacking = day.depletion_mm, lacking + day.lacking_mm[0]
        return lacking / (40 * use_mm(table, 0, et0[:, 0])[0])

    short = raw + 1e-6
    litres = np.array([(raw / table.net_mm(shares))[garden.zone_rows == z].min() for z in range(5)])
    dose = table.net_mm(litres[garden.zone_rows] * shares)
    spared = rank_weights(garden) * (stress(short) - stress(short - dose))
    per_litre = np.add.reduceat(spared, garden.first_rows) / litres
    value = litre_values(garden, short, coming(garden.table, et0, rain), PARTS)[0][0, 0]
    # The balance steps by whole days, the formula does not.
    assert value == pytest.approx(per_litre, rel=0.1)


def test_water_before_the_rain_that_fills_the_soil_is_worth_less() -> None:
    garden = dry_garden(DAYS, full_l=300.0)
    et0, rain = np.full((1, 40), 5.0), np.zeros((1, 40))
    dry = litre_values(garden, 0.6 * garden.table.taw_mm, coming(garden.table, et0, rain), PARTS)[0]
    rain[:, 6] = 150.0
    wet = litre_values(garden, 0.6 * garden.table.taw_mm, coming(garden.table, et0, rain), PARTS)[0]
    assert np.all(wet[:6] < dry[:6])
    assert wet[7] == pytest.approx(
        litre_values(garden, garden.start({}), coming(garden.table, et0, rain), PARTS)[0][7]
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_ample_store_gives_every_zone_its_whole_dose(seed: int) -> None:
    garden = dry_garden(DAYS, full_l=20_000.0)
    found = ration(garden, 20_000.0, 0.5, seed, wet=0.0)
    assert found.dose_l.min() > 0.0
    assert found.litres.tolist() == found.dose_l.tolist()


def test_little_water_goes_to_the_first_rank_alone() -> None:
    garden = dry_garden(DAYS, full_l=600.0)
    found = ration(garden, 200.0, 0.5, 4, wet=0.0)
    assert found.litres[0] > 0.0
    assert found.litres[1:].tolist() == [0.0] * 4


def test_what_is_kept_is_let_go_when_rain_will_fill_the_barrels() -> None:
    garden = dry_garden(DAYS, full_l=250.0, roof=Roof(80.0, 0.85, 0.5))
    et0, rain = np.full((3, 40), 5.0), np.zeros((3, 40))
    kept = allotted(garden, 200.0, 0.5 * garden.table.taw_mm, et0, rain)
    # Soon, yet too late and too little at once for the soil to wait for it.
    rain[:, 3::6] = 6.0
    let_go = allotted(garden, 200.0, 0.5 * garden.table.taw_mm, et0, rain)
    assert let_go.litres.sum() > kept.litres.sum()


def test_nothing_lost_is_repaid_in_one_flood() -> None:
    garden = dry_garden(DAYS, full_l=20_000.0)
    late, very_late = (ration(garden, 20_000.0, dry, 3, wet=0.0).dose_l for dry in (0.7, 1.0))
    assert very_late == pytest.approx(late, rel=0.15)


def served_through(garden: GardenAhead) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every dose given through dry days: what each plant lacks and uses, and what runs past it, mm."""
    et0, rain = np.full((1, len(DAYS)), 6.0), np.zeros((1, len(DAYS)))
    ahead, root = coming(garden.table, et0, rain), np.zeros((1, len(garden.table.plants)))
    lacking, used, past = (np.zeros(len(garden.table.plants)) for _ in range(3))
    for i in range(len(DAYS)):
        dose = zone_doses_l(garden, i, root, ahead)
        water = garden.table.net_mm(dose[:, garden.zone_rows] * garden.shares)
        day = zones_day(garden.table, i, root, et0[:, i], rain[:, i], water)
        root = day.depletion_mm
        lacking, used, past = lacking + day.lacking_mm[0], used + day.used_mm[0], past + day.percolated_mm[0]
    return lacking, used, past


def test_a_plant_that_its_zone_serves_less_does_not_fall_further_and_further_behind() -> None:
    """The peppers get 0.93 parts of the pots' water for each of their use, the tomatoes 1.05."""
    garden = dry_garden(DAYS, full_l=600.0)
    lacking, used, past = served_through(garden)
    tomato, pepper = 0, 1
    assert [p.id for p in garden.table.plants[:2]] == ["pot-tomato", "pot-pepper"]
    assert lacking[pepper] / used[pepper] < 0.01
    # For that the tomatoes get too much, and no more than it takes: their share over the peppers'.
    assert 0.0 < past[tomato] / used[tomato] <= 1.05 / 0.93 - 1.0
    assert past[pepper] == 0.0


def test_where_no_plant_is_behind_nothing_runs_past_the_roots_of_its_rank() -> None:
    garden = dry_garden(DAYS, full_l=600.0)
    even = garden.table.canopy_m2 * np.array([p.plant_factor or 0.0 for p in garden.table.plants])
    total = np.add.reduceat(even, garden.first_rows)[garden.zone_rows]
    lacking, _, past = served_through(replace(garden, shares=even / total))
    of_first = garden.ranks == 1
    assert past[of_first].max() == 0.0
    assert lacking[of_first].max() == pytest.approx(0.0, abs=0.5)


@many
@given(held, dryness, seeds)
def test_the_same_inputs_give_the_same_water(held_l: float, dry: float, seed: int) -> None:
    garden = dry_garden(DAYS, full_l=600.0)
    one, other = (ration(garden, held_l, dry, seed) for _ in range(2))
    assert one.litres.tolist() == other.litres.tolist()


def test_slack_by_hand_is_the_store_less_later_doses() -> None:
    garden = dry_garden(DAYS, full_l=5_000.0)
    et0, rain = weather(9, 0.0)
    root = 0.5 * garden.table.taw_mm
    demand = unlimited_demand(garden, root, rain, coming(garden.table, et0, rain))
    levels = value_levels(demand)
    slack = slack_l(garden, 3_000.0, demand, levels)
    worthy = demand.value[1:] >= levels[-1]
    later = np.where(worthy, demand.zones_l[1:], 0.0).sum(axis=(0, 2))
    assert slack[:, -1] == pytest.approx(3_000.0 - RESERVE_L - later)


def one_later_dose(day: int, litres: float, rain_day: int, caught_l: float) -> Demand:
    zones, caught = np.zeros((len(DAYS), 1, 5)), np.zeros((1, len(DAYS)))
    zones[day, 0, 0], caught[0, rain_day] = litres, caught_l
    return Demand(zones, np.ones_like(zones), np.ones((len(PARTS), 1, 5)), caught)


def test_a_leak_takes_no_more_than_is_there_and_what_it_would_take_is_free_today() -> None:
    # By hand: 60 L at 5 L a day are gone on day 12; 100 L come on day 20, of which 80 L stand on day 25: 40 L
    # over the reserve, whatever was drawn today.
    garden = replace(dry_garden(DAYS, full_l=600.0, reserve_l=RESERVE_L), leak_l=5.0)
    slack = slack_l(garden, 60.0, one_later_dose(25, 40.0, 20, 100.0), np.array([1.0]))
    assert slack.item() == pytest.approx(20.0)
    # A litre more than that is short, today's water or not ...
    short = slack_l(garden, 60.0, one_later_dose(25, 42.0, 20, 100.0), np.array([1.0]))
    assert short.item() == pytest.approx(20.0)
    # ... and where the leak leaves some of today's water, that is kept: 200 L less 50 L by day 10.
    kept = slack_l(garden, 200.0, one_later_dose(10, 60.0, 39, 0.0), np.array([1.0]))
    assert kept.item() == pytest.approx(200.0 - 50.0 - 60.0 - RESERVE_L)


def test_weather_that_does_not_fit_is_refused() -> None:
    garden = dry_garden(DAYS, full_l=600.0)
    with pytest.raises(ValueError, match="shapes"):
        allotted(garden, 100.0, garden.start({}), np.ones((2, 41)), np.ones((2, 41)))


@many
@given(seeds, dryness)
def test_the_day_of_rationing_is_the_day_of_the_root_zones(seed: int, dry: float) -> None:
    """Doses step all days at once; ``zones_day``, held to FAO-56 elsewhere, steps one."""
    garden = dry_garden(DAYS, full_l=600.0)
    table = garden.table
    et0, rain = weather(seed, 0.3)
    ahead = coming(table, et0, rain)
    root = np.random.default_rng(seed).uniform(0.0, 1.0, (MEMBERS, len(table.plants))) * dry * table.taw_mm
    water = np.full_like(root, 7.0)
    for i in (0, 7):
        day = zones_day(table, i, root, et0[:, i], rain[:, i], water)
        assert next_mm(table, i, root, ahead, water) == pytest.approx(day.depletion_mm)
        assert ahead.use_mm[i] == pytest.approx(use_mm(table, i, et0[:, i]))
        assert ahead.raw_mm[i] == pytest.approx(readily_mm(table, i, ahead.use_mm[i]))
