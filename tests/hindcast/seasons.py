"""Dry seasons run day by day on plant-level balances, by three planners: rationing, first come, foresight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden_ahead import GardenAhead, zone_wants_l
from scheduler.planning.past_years import past_weather
from scheduler.planning.rationing import (
    NEAR_D,
    ROOM_D,
    allotted_l,
    dose_l,
    needs_to_come_mm,
    rain_soon_mm,
    rank_weights,
    sure_rain_mm,
    unlimited_demand,
)
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


def run(season: DrySeason, planner: str, *, members: int = 30, every_d: int = 1) -> Outcome:
    """``planner``: "rationed" or "first come" (each zone its fill whenever it is due, in a fixed order that
    knows no rank)."""
    et0, rain = true_weather(season)
    whole = garden_on(season, season.start)
    known = past_for(season.days, season.place, season.which)
    root, held = whole.start({})[None], np.array([season.full_l])
    lacking, used = np.zeros(len(whole.table.plants)), np.zeros(len(whole.table.plants))
    given = np.zeros(len(whole.zone_ids))
    over, lowest = 0.0, season.full_l
    days_n = len(et0)
    for i in range(days_n):
        table, day = whole.table, season.start + timedelta(days=i)
        etc = use_mm(table, i, et0[i : i + 1])
        raw = readily_mm(table, i, etc)
        if planner == "rationed":
            if i % every_d == 0:
                ways = _ways(season, day, known(day), members)
                garden = garden_on(season, day)
                room, near = rain_soon_mm(ways[1], ROOM_D), sure_rain_mm(ways[1], NEAR_D)
                to_come = needs_to_come_mm(garden, *ways).mean(axis=1)
                demand = unlimited_demand(garden, root[0], *ways)
            due_l = dose_l(
                whole,
                i,
                root,
                etc,
                raw,
                to_come[i % every_d][None],
                float(room[i % every_d]),
                float(near[i % every_d]),
            )
            wants = allotted_l(garden, float(held[0]), demand, due_l[0])[None]
            order = np.arange(len(given))
        else:
            due = due_now(table, i, root, etc, raw)
            wants = zone_wants_l(whole, table.gross_l(root), due, table.gross_l(raw))
            order = np.arange(len(given))[::-1]
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


def _ways(season, day, past, members):  # type: ignore[no-untyped-def]
    told = degraded(season.days, day, season.seed).days
    ahead = [
        as_a_service_says(d, n, season.place, past) for n, d in enumerate(d for d in told if d.day >= day)
    ]
    span = (season.end - day).days + 1
    found = ways_ahead(past, forecast_ways(ahead, season.place, members), day, span, members)
    assert found is not None
    return found


def weighted(season: DrySeason, stress: Array) -> float:
    return float(rank_weights(garden_on(season, season.start)) @ stress)
