"""The store through many ways of the weather, by hand arithmetic and by conservation."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from scheduler.agronomy.need import PlantNeed
from scheduler.planning.doses import coming
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.garden_ahead import GardenAhead, garden_ahead, zone_wants_l
from scheduler.planning.lasting import lasting
from scheduler.planning.plan import PlannedRun
from scheduler.planning.sizing import size_run
from scheduler.planning.trajectories import days_left, store_trajectories
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Reserve, Roof
from tests.support.gardens import small_garden
from tests.support.planning import need

FIRST = date(2012, 7, 1)
DAYS = [FIRST + timedelta(days=n) for n in range(60)]


def ahead(roof: Roof | None = None, reserve_l: float = 40.0) -> GardenAhead:
    site = replace(small_garden(), roof=roof, reserve=Reserve(reserve_l))
    return garden_ahead(garden_model(site), DAYS)


def test_a_leak_takes_its_litres_or_what_is_left_and_nothing_else_is_lost() -> None:
    garden = replace(ahead(Roof(20.0, 0.85, 0.5)), leak_l=9.0)
    rng = np.random.default_rng(3)
    et0 = rng.uniform(2.0, 7.0, (20, 60))
    rain = np.where(rng.random((20, 60)) < 0.1, rng.exponential(8.0, (20, 60)), 0.0)
    ways = store_trajectories(garden, 200.0, garden.start({}), et0, rain)
    left = ways.held_l[:, :-1] - ways.given_l
    leaked = left + ways.caught_l - ways.overflow_l - ways.held_l[:, 1:]
    assert leaked == pytest.approx(np.minimum(9.0, left), abs=1e-9)
    assert leaked.min() < 1.0 and ways.overflow_l.sum() > 0.0  # some barrels were empty, some full


def test_nothing_is_made_or_lost() -> None:
    garden = ahead(Roof(20.0, 0.85, 0.5))
    rng = np.random.default_rng(3)
    et0 = rng.uniform(2.0, 7.0, (20, 60))
    rain = np.where(rng.random((20, 60)) < 0.25, rng.exponential(8.0, (20, 60)), 0.0)
    ways = store_trajectories(garden, 300.0, garden.start({}), et0, rain)
    change = ways.held_l[:, -1] - ways.held_l[:, 0]
    assert change == pytest.approx(
        ways.caught_l.sum(axis=1) - ways.overflow_l.sum(axis=1) - ways.given_l.sum(axis=1), abs=1e-9
    )
    assert ways.held_l.max() <= garden.full_l + 1e-9
    assert ways.overflow_l.sum() > 0.0
    # Floors are kept, whatever is wanted.
    assert ways.held_l.min() >= min(300.0, garden.lowest_floor_l) - 1e-9


def test_days_left_fall_with_a_smaller_store_and_never_rise_with_less_rain() -> None:
    garden = ahead(Roof(20.0, 0.85, 0.5))
    rng = np.random.default_rng(4)
    et0 = rng.uniform(3.0, 7.0, (10, 60))
    rain = np.where(rng.random((10, 60)) < 0.1, 4.0, 0.0)
    few, many = (store_trajectories(garden, s, garden.start({}), et0, rain).days_left for s in (150.0, 350.0))
    dry = store_trajectories(garden, 350.0, garden.start({}), et0, np.zeros_like(rain)).days_left
    assert np.all(few <= many)
    assert np.all(dry <= many)


def test_early_middle_and_late_day_are_the_tenth_fiftieth_and_ninetieth_of_a_hundred() -> None:
    assert days_left(np.arange(1, 101), 200) == (10, 50, 90)
    assert days_left(np.array([5] * 8 + [60, 60]), 60) == (5, 5, None)


@pytest.mark.parametrize("held_l", [60.0, 200.0, 350.0, 900.0])
def test_the_plans_days_left_are_those_of_the_weeks_ahead(held_l: float) -> None:
    garden = ahead(Roof(20.0, 0.85, 0.5))
    rng = np.random.default_rng(7)
    et0 = rng.uniform(2.0, 8.0, (20, 60))
    rain = np.where(rng.random((20, 60)) < 0.1, rng.exponential(6.0, (20, 60)), 0.0)
    start = garden.start({"tomato": 15.0, "sage": 30.0})
    whole = store_trajectories(garden, held_l, start, et0, rain)
    found = lasting(garden, held_l, start, rain, coming(garden.table, et0, rain))
    assert found.days_left == days_left(whole.days_left, 60)
    assert found.looked_d == 60 and found.day == FIRST


def test_an_empty_store_lasts_no_day_once_something_is_wanted() -> None:
    garden = ahead()
    et0, rain = np.full((3, 60), 5.0), np.zeros((3, 60))
    ways = store_trajectories(garden, 0.0, garden.start({"tomato": 10.0}), et0, rain)
    assert ways.days_left.tolist() == [0, 0, 0]
    assert days_left(ways.days_left, 60) == (0, 0, 0)


def test_weather_that_does_not_fit_the_garden_is_refused() -> None:
    garden = ahead()
    with pytest.raises(ValueError, match="shapes"):
        store_trajectories(garden, 100.0, garden.start({}), np.ones((2, 61)), np.ones((2, 61)))
    with pytest.raises(ValueError, match="unknown rain"):
        store_trajectories(garden, 100.0, garden.start({}), np.ones((2, 5)), np.full((2, 5), np.nan))


def test_a_known_leak_takes_its_litres_every_day_and_the_store_lasts_as_many_days_less() -> None:
    garden = ahead(None)
    zero, dull = np.zeros((3, 60)), np.full((3, 60), 1e-6)
    leaking = replace(garden, leak_l=5.0)
    ways = store_trajectories(leaking, 300.0, garden.start({}), dull, zero)
    # 5 L a day from 300 L (by hand), and an empty barrel leaks nothing.
    assert ways.held_l[:, :60] == pytest.approx(np.tile(300.0 - 5.0 * np.arange(60), (3, 1)), abs=0.05)
    assert store_trajectories(leaking, 20.0, garden.start({}), dull, zero).held_l.min() == 0.0


@pytest.mark.parametrize("leak_l", [0.0, 3.0, 9.0])
def test_plan_and_weeks_ahead_lose_the_same_leak_and_more_of_it_never_lasts_longer(leak_l: float) -> None:
    rng = np.random.default_rng(6)
    et0 = rng.uniform(3.0, 7.0, (10, 60))
    rain = np.where(rng.random((10, 60)) < 0.1, 6.0, 0.0)
    lasts = []
    for leak in (leak_l, leak_l + 4.0):
        garden = replace(ahead(Roof(20.0, 0.85, 0.5)), leak_l=leak)
        root = garden.start({})
        ways = store_trajectories(garden, 350.0, root, et0, rain)
        found = lasting(garden, 350.0, root, rain, coming(garden.table, et0, rain))
        assert found.days_left == days_left(ways.days_left, 60)
        lasts.append(ways.days_left)
    assert np.all(lasts[1] <= lasts[0]) and np.any(lasts[1] < lasts[0])


@pytest.mark.parametrize(
    ("share", "want_l", "at_due_l", "litres"),
    [
        # By hand: misses of 0.5 L / 6 - 1 and 0.5 L / 3 - 1 add up to nothing at 8 L.
        ((0.5, 0.5), (6.0, 3.0), (6.0, 3.0), 8.0),
        # The second plant gets half too much, and no more: 0.5 L = 1.5 * 1.
        ((0.5, 0.5), (6.0, 1.0), (6.0, 1.0), 3.0),
        # Both want less than a quarter of what they take when due, 6 L: 0.6 L / 6 - 1 and (0.4 L - 5) / 6.
        ((0.6, 0.4), (6.0, 5.0), (24.0, 24.0), 11.0),
        # A little want beside a dry plant: in quarters of 6 L, 0.5 L = 0.3 + 0.5 * 1.5.
        ((0.5, 0.5), (6.0, 0.3), (6.0, 6.0), 2.1),
    ],
)
def test_a_zone_asks_the_weeks_ahead_for_what_misses_its_plants_least(
    share: tuple[float, ...], want_l: tuple[float, ...], at_due_l: tuple[float, ...], litres: float
) -> None:
    garden = ahead()
    bed = garden.zone_ids.index("bed")
    of_bed = garden.zone_rows == bed
    shares, want, at_due = (np.ones(len(of_bed)) for _ in range(3))
    shares[of_bed], want[of_bed], at_due[of_bed] = share, want_l, at_due_l
    due = np.ones((1, len(of_bed)), dtype=bool)
    found = zone_wants_l(replace(garden, shares=shares), want[None], due, at_due[None])
    assert found[0, bed] == pytest.approx(litres)
    assert found[0, 1 - bed] == pytest.approx(1.0)  # one plant alone gets what it wants


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_weeks_ahead_draw_what_a_run_of_the_plan_would(name: str) -> None:
    """However unlike the wants of its plants are. In the weeks ahead the flows keep their proportions; in a
    run they shift a little as the level falls and the lines fill (4.2 % of a small one was the most seen)."""
    site = example_site(name)
    model = garden_model(replace(site, node=replace(site.node, longest_open_s=1e6)))
    level_m = 0.9 * model.stage.brim_level_m
    garden = garden_ahead(model, DAYS[:1], level_m=level_m)
    plants = garden.table.plants
    rng = np.random.default_rng(8)
    ratios = []
    for _ in range(40):
        at_due = rng.uniform(8.0, 40.0, len(plants))
        want = at_due * rng.uniform(0.05, 1.1, len(plants))
        asked = zone_wants_l(garden, want[None], np.ones((1, len(plants)), dtype=bool), at_due[None])[0]
        rows = zip(plants, want, at_due, strict=True)
        needs = {p.id: need(p.id, float(w), float(w / full), due=True) for p, w, full in rows}
        ratios.append(asked / [_run_l(model, zone, level_m, needs) for zone in garden.zone_ids])
    assert np.mean(ratios, axis=0) == pytest.approx(1.0, abs=0.01)
    assert np.array(ratios) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("longest_open_s", "pots_s", "bed_s"),
    [
        # A valve of 8 s and 8 s gives 884 s of flow in its longest opening.
        (900.0, 884.0, 884.0),
        # The loam of the bed takes 40 min or so at once. So its run goes on after a pause, for as long as the
        # node opens a valve in a day: three openings leave 6000 - 3 * 16 s.
        (3000.0, 2984.0, 5952.0),
    ],
)
def test_on_a_day_a_zone_draws_no_more_than_the_node_lets_it_give(
    longest_open_s: float, pots_s: float, bed_s: float
) -> None:
    """By hand: 20 L of reserve stand 3.8 cm high in two drums of 58 cm. Half-way up to 67.6 cm, at 35.7 cm,
    two bubblers of 12 L/h at 1 m give 24 sqrt(0.357 + 0.3) = 19.5 L/h, two of 8 L/h 16 sqrt(0.357 + 0.4) =
    13.9 L/h (the lines take a little of the head)."""
    site = replace(small_garden(), reserve=Reserve(20.0))
    model = garden_model(replace(site, node=replace(site.node, longest_open_s=longest_open_s)))
    garden = garden_ahead(model, DAYS[:1], level_m=0.676)
    plants = len(garden.table.plants)
    full = np.full((1, plants), 100.0)
    found = zone_wants_l(garden, full, np.ones((1, plants), dtype=bool), full)[0]
    by_hand = {"pots": 19.5 * pots_s / 3600.0, "bed": 13.9 * bed_s / 3600.0}
    assert dict(zip(garden.zone_ids, found, strict=True)) == pytest.approx(by_hand, rel=0.01)
    little = zone_wants_l(garden, full / 200.0, np.ones((1, plants), dtype=bool), full)[0]
    # Half a litre a plant is drawn as it is wanted: one plant in the pots, two in the bed.
    assert dict(zip(garden.zone_ids, little, strict=True)) == pytest.approx({"pots": 0.5, "bed": 1.0})


def _run_l(model: GardenModel, zone: str, level_m: float, needs: dict[str, PlantNeed]) -> float:
    """What the plan's run of a zone takes out of the barrels."""
    targets_l = {p: needs[p].wanted_l for p in model.zones[zone].plants}
    start = datetime(2012, 7, 1, 12, tzinfo=UTC)
    run = size_run(
        model, zone, start=start, level_m=level_m, targets_l=targets_l, needs=needs, longest_open_s=1e6
    )
    assert isinstance(run, PlannedRun)
    return run.volume_l
