"""Dry seasons run day by day on plant-level balances, by three planners: rationing, first come, foresight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.doses import Coming, coming, middle_of, rank_weights, zone_doses_l
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden_ahead import GardenAhead, zone_wants_l
from scheduler.planning.past_years import PastWeather
from scheduler.planning.rationing import nothing_due, share_out, unlimited_demand
from scheduler.planning.root_zones import due_now, readily_mm, use_mm, zones_day
from scheduler.site.model import GardenPlace, Roof
from scheduler.supply.storage import draw_then_catch, roof_catches_l
from scheduler.weather.forecast_error import degraded
from tests.hindcast.foresight import least_stress
from tests.hindcast.hindcasting import Past, as_a_service_says, measured, past_for
from tests.support.dry_gardens import dry_garden

Array = NDArray[np.float64]
Planner = Literal["rationed", "rationed, weather known", "first come"]

# As the daily plan.
MEMBERS = 50


@dataclass(frozen=True, slots=True)
class DrySeason:
    place: GardenPlace
    days: Sequence[DayWeather]
    which: Past
    start: date
    end: date
    full_l: float
    roof_m2: float
    seed: int = 5


@dataclass(frozen=True, slots=True)
class Outcome:
    stress: Array  # by plant: 1 - ETa/ETc of the season
    given_l: Array  # by zone
    left_l: float
    overflow_l: float
    lowest_l: float


def true_weather(season: DrySeason) -> tuple[Array, Array]:
    truth = measured(tuple(season.days), season.place)
    at = slice((season.start - truth.first).days, (season.end - truth.first).days + 1)
    return truth.et0_mm[at], truth.rain_mm[at]


def garden_on(season: DrySeason, first: date) -> GardenAhead:
    days = [first + timedelta(days=n) for n in range((season.end - first).days + 1)]
    roof = Roof(season.roof_m2, 0.85, 0.5) if season.roof_m2 else None
    return dry_garden(days, full_l=season.full_l, roof=roof)


def from_day(garden: GardenAhead, i: int) -> GardenAhead:
    """The garden from its day ``i`` on."""
    table = garden.table
    rest = replace(
        table,
        days=table.days[i:],
        coefficient=table.coefficient[i:],
        by_age=table.by_age[i:],
        daily_dose_mm=table.daily_dose_mm[i:],
        dose_due_mm=table.dose_due_mm[i:],
    )
    return replace(garden, table=rest)


def foresight(season: DrySeason) -> Array:
    garden = garden_on(season, season.start)
    et0, rain = true_weather(season)
    return least_stress(garden, season.full_l, garden.start({}), et0, rain, rank_weights(garden))[1]


def run(season: DrySeason, planner: Planner, *, members: int = MEMBERS) -> Outcome:
    """One season by one planner."""
    return run_alike([season], planner, members=members)[0]


def run_alike(seasons: Sequence[DrySeason], planner: Planner, *, members: int = MEMBERS) -> list[Outcome]:
    """Seasons that differ in store and roof alone, day by day at once: the weather ways are the same.

    "rationed, weather known": the rule alone, without the weather's uncertainty. "first come": each zone its
    fill whenever it is due, in a fixed order that knows no rank.
    """
    one = seasons[0]
    assert all(replace(s, full_l=one.full_l, roof_m2=one.roof_m2) == one for s in seasons)
    et0, rain = true_weather(one)
    known = past_for(one.days, one.place, one.which)
    gardens = [garden_on(s, one.start) for s in seasons]
    states = [_State(g, s.full_l) for g, s in zip(gardens, seasons, strict=True)]
    for i in range(len(et0)):
        day = one.start + timedelta(days=i)
        if planner == "first come":
            wants = [_first_come_l(s.garden, i, s.root[None], et0[i : i + 1])[0] for s in states]
        else:
            sure = planner != "rationed"
            ways = (et0[None, i:], rain[None, i:]) if sure else _ways(one, day, known(day), members)
            today = [from_day(g, i) for g in gardens]
            wants = rationed_l(today, [s.held_l for s in states], [s.root for s in states], *ways)
        for state, want in zip(states, wants, strict=True):
            state.step(i, want, float(et0[i]), float(rain[i]), lowest_first=planner == "first come")
    return [s.outcome() for s in states]


class _State:
    """One garden through its season."""

    def __init__(self, garden: GardenAhead, held_l: float) -> None:
        plants = len(garden.table.plants)
        self.garden, self.root, self.held_l = garden, garden.start({}), held_l
        self.lacking, self.used, self.given_l = np.zeros(plants), np.zeros(plants), np.zeros(5)
        self.over_l, self.lowest_l = 0.0, held_l

    def step(self, i: int, want_l: Array, et0_mm: float, rain_mm: float, *, lowest_first: bool) -> None:
        garden, order = self.garden, np.arange(len(want_l))[:: -1 if lowest_first else 1]
        et0, rain = np.array([et0_mm]), np.array([rain_mm])
        caught = roof_catches_l(garden.roof, rain)
        held = np.array([self.held_l])
        drawn = draw_then_catch(held, want_l[None, order], garden.floors_l[order], caught, garden.full_l)
        litres = np.zeros_like(want_l)
        litres[order] = drawn.given_l[0]
        water = garden.table.net_mm(litres[garden.zone_rows] * garden.shares)
        after = zones_day(garden.table, i, self.root[None], et0, rain, water[None])
        self.root, self.held_l = after.depletion_mm[0], float(drawn.held_l[0])
        self.lacking, self.used = self.lacking + after.lacking_mm[0], self.used + after.used_mm[0]
        self.given_l = self.given_l + litres
        self.over_l += float(drawn.overflow_l[0])
        self.lowest_l = min(self.lowest_l, self.held_l)

    def outcome(self) -> Outcome:
        stress = self.lacking / (self.lacking + self.used)
        return Outcome(stress, self.given_l, self.held_l, self.over_l, self.lowest_l)


def rationed_l(
    gardens: Sequence[GardenAhead],
    held_l: Sequence[float],
    roots_mm: Sequence[Array],
    et0: Array,
    rain: Array,
) -> list[Array]:
    """``rationing.allotted`` of each garden, worked out side by side (a test holds the two together)."""
    table, members = gardens[0].table, len(et0)
    one = coming(table, et0, rain)
    middle = middle_of(table, one, et0)
    doses = [zone_doses_l(g, 0, root[None], middle)[0] for g, root in zip(gardens, roots_mm, strict=True)]
    due = [n for n, dose in enumerate(doses) if (dose > 0.0).any()]
    found = [nothing_due(dose).litres for dose in doses]
    if not due:
        return found
    several = _beside(one, len(due))
    roots = np.repeat(np.stack([roots_mm[n] for n in due]), members, axis=0)
    every = unlimited_demand(gardens[0], roots, np.tile(rain, (len(due), 1)), several)
    for row, n in enumerate(due):
        at = slice(row * members, (row + 1) * members)
        mine = replace(
            every,
            zones_l=every.zones_l[:, at],
            value=every.value[:, at],
            part_value=every.part_value[:, at],
            caught_l=roof_catches_l(gardens[n].roof, rain),
        )
        found[n] = share_out(gardens[n], held_l[n], mine, doses[n]).litres
    return found


def _beside(one: Coming, times: int) -> Coming:
    """The same weather so many times over."""
    if times == 1:
        return one

    def over(part: Array) -> Array:
        return np.tile(part, (1, times, 1)) if part.ndim == 3 and part.shape[1] > 1 else part

    return replace(one, **{f.name: over(getattr(one, f.name)) for f in fields(one)})


def _first_come_l(garden: GardenAhead, i: int, root_mm: Array, et0_mm: Array) -> Array:
    etc = use_mm(garden.table, i, et0_mm)
    raw = readily_mm(garden.table, i, etc)
    due = due_now(garden.table, i, root_mm, etc, raw)
    return zone_wants_l(garden, garden.table.gross_l(root_mm), due, garden.table.gross_l(raw))


_told: dict[tuple[object, ...], tuple[Array, Array]] = {}


def _ways(season: DrySeason, day: date, past: PastWeather | None, members: int) -> tuple[Array, Array]:
    """What is believed of the weather on that morning: the same whatever the barrels."""
    key = (season.place, season.which, season.end, season.seed, day, members)
    if key not in _told:
        told = degraded(season.days, day, season.seed).days
        ahead = [
            as_a_service_says(d, n, season.place, past) for n, d in enumerate(d for d in told if d.day >= day)
        ]
        span = (season.end - day).days + 1
        found = ways_ahead(past, forecast_ways(ahead, season.place, members), day, span, members)
        assert found is not None
        _told[key] = found
    return _told[key]


def weighted(season: DrySeason, stress: Array) -> float:
    return float(rank_weights(garden_on(season, season.start)) @ stress)
