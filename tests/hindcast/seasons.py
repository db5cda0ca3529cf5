"""Dry seasons run day by day on plant-level balances, by three planners: rationing, first come, foresight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.doses import rank_weights
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden_ahead import GardenAhead, zone_wants_l
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.planning.rationing import allotted
from scheduler.planning.root_zones import due_now, readily_mm, use_mm, zones_day
from scheduler.site.model import GardenPlace, Roof
from scheduler.supply.storage import draw_then_catch, roof_catches_l
from scheduler.weather.forecast_error import degraded
from tests.hindcast.foresight import least_stress
from tests.hindcast.hindcasting import Past, as_a_service_says, past_for
from tests.support.dry_gardens import dry_garden

Array = NDArray[np.float64]


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
    truth = past_weather(season.days, season.place)
    assert truth is not None
    at = slice((season.start - truth.first).days, (season.end - truth.first).days + 1)
    return truth.et0_mm[at], truth.rain_mm[at]


def garden_on(season: DrySeason, first: date) -> GardenAhead:
    days = [first + timedelta(days=n) for n in range((season.end - first).days + 1)]
    roof = Roof(season.roof_m2, 0.85, 0.5) if season.roof_m2 else None
    return dry_garden(days, full_l=season.full_l, roof=roof)


def foresight(season: DrySeason) -> Array:
    garden = garden_on(season, season.start)
    et0, rain = true_weather(season)
    return least_stress(garden, season.full_l, garden.start({}), et0, rain, rank_weights(garden))[1]


def run(season: DrySeason, planner: str, *, members: int = 30) -> Outcome:
    """``planner``: "rationed", "rationed, weather known" (the rule alone, without the weather's uncertainty)
    or "first come" (each zone its fill whenever it is due, in a fixed order that knows no rank)."""
    et0, rain = true_weather(season)
    whole = garden_on(season, season.start)
    table, known = whole.table, past_for(season.days, season.place, season.which)
    root, held = whole.start({})[None], np.array([season.full_l])
    lacking, used = np.zeros(len(table.plants)), np.zeros(len(table.plants))
    given = np.zeros(len(whole.zone_ids))
    over, lowest = 0.0, season.full_l
    order = np.arange(len(given))[:: -1 if planner == "first come" else 1]
    for i in range(len(et0)):
        day = season.start + timedelta(days=i)
        if planner == "first come":
            wants = _first_come_l(whole, i, root, et0[i : i + 1])
        else:
            sure = planner != "rationed"
            ways = (et0[None, i:], rain[None, i:]) if sure else _ways(season, day, known(day), members)
            wants = allotted(garden_on(season, day), float(held[0]), root[0], *ways).litres[None]
        caught = roof_catches_l(whole.roof, rain[i : i + 1])
        drawn = draw_then_catch(held, wants[:, order], whole.floors_l[order], caught, whole.full_l)
        litres = np.zeros_like(wants)
        litres[:, order] = drawn.given_l
        water = table.net_mm(litres[:, whole.zone_rows] * whole.shares)
        after = zones_day(table, i, root, et0[i : i + 1], rain[i : i + 1], water)
        root, held = after.depletion_mm, drawn.held_l
        lacking, used = lacking + after.lacking_mm[0], used + after.used_mm[0]
        given += litres[0]
        over += float(drawn.overflow_l[0])
        lowest = min(lowest, float(held[0]))
    return Outcome(lacking / (lacking + used), given, float(held[0]), over, lowest)


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
