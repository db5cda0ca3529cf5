"""Hindcasts of the run-out day: what would have been said on each day of a past season, and what came.

The truth: the garden stepped through the weather as it was, watered as the daily plan does, until a zone gets
less than it wants. On each day of saying, the store and the root zones are the true ones of that morning; the
forecast is the coming seven days *degraded* (``weather.forecast_error``, its errors growing with the lead),
never the truth, and made into members about it (``planning.forecast_ways``); beyond it the members are drawn
from the place's own past, never from the day itself on.

Which past: ``before`` takes only what lies before the day of saying, as a garden has it. ``other years``
takes every year but the one judged, as a garden with stored years of its place has it. ``none``: the forecast
alone, its use carried on and no rain beyond it, for comparison.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from typing import Literal

import numpy as np

from scheduler.agronomy.radiation import clear_sky, extraterrestrial
from scheduler.agronomy.weather import DayWeather
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden import garden_model
from scheduler.planning.garden_ahead import GardenAhead, garden_ahead
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.planning.trajectories import EARLY, LATE, days_left, store_trajectories
from scheduler.site.model import Barrel, GardenPlace, Plant, Reserve, Roof, Site, Tank
from scheduler.weather.forecast_error import (
    FALSE_CHANCE,
    FALSE_CHANCE_GROWTH,
    FALSE_CHANCE_MAX,
    MISS_CHANCE,
    MISS_CHANCE_GROWTH,
    MISS_CHANCE_MAX,
    degraded,
)
from tests.support.gardens import small_garden

HORIZON_D = 60
MEMBERS = 50
LEADS_D = (3, 7, 14)
Past = Literal["before", "other years", "none"]


@dataclass(frozen=True, slots=True)
class Setting:
    """A garden whose water is to last: barrels, roof, and how much the plants are."""

    barrels: int
    roof_m2: float
    planted: float  # canopies times this


SETTINGS = tuple(
    Setting(barrels, roof_m2, planted)
    for barrels, roof_m2, planted in (
        (2, 0.0, 3.0),
        (2, 6.0, 4.0),
        (3, 12.0, 5.0),
        (5, 12.0, 8.0),
        (5, 30.0, 10.0),
    )
)


@dataclass(frozen=True, slots=True)
class Said:
    """What was said on a day, and the truth; days from that day. ``None``: beyond the horizon."""

    day: date
    true_d: int | None
    early_d: int | None
    middle_d: int | None
    late_d: int | None
    before: float  # share of the members that ran out before the true day ...
    by_then: float  # ... and before or on it (1 where the truth is beyond the horizon)
    inside: float  # share of the members whose day lies in the span, its edges with it

    @property
    def held(self) -> bool:
        early, late, true = (HORIZON_D if d is None else d for d in (self.early_d, self.late_d, self.true_d))
        return early <= true <= late


@cache
def setting_site(setting: Setting, place: GardenPlace) -> Site:
    site = small_garden()
    barrels = tuple(
        Barrel(f"drum-{i}", "upright", 0.5, 0.85, diameter_m=0.58) for i in range(setting.barrels)
    )
    plants = tuple(
        replace(
            p, canopy_m2=p.canopy_m2 * setting.planted, planted=None, container_l=_pot(p, setting.planted)
        )
        for p in site.plants
    )
    return replace(
        site,
        place=place,
        tank=Tank(barrels, 0.55),
        plants=plants,
        reserve=Reserve(40.0),
        roof=Roof(setting.roof_m2, 0.85, 0.5) if setting.roof_m2 else None,
    )


def _pot(plant: Plant, times: float) -> float | None:
    return plant.container_l * times if plant.container_l is not None else None


@cache
def setting_model(setting: Setting, place: GardenPlace):  # type: ignore[no-untyped-def]
    return garden_model(setting_site(setting, place))


def _ahead(setting: Setting, place: GardenPlace, first: date, days: int) -> GardenAhead:
    return garden_ahead(setting_model(setting, place), [first + timedelta(days=n) for n in range(days)])


@dataclass(frozen=True, slots=True)
class _Morning:
    day: date
    held_l: float
    root_mm: np.ndarray


@cache
def measured(days: tuple[DayWeather, ...], place: GardenPlace) -> PastWeather:
    """A record's ET0 and rain, worked out once."""
    found = past_weather(days, place)
    assert found is not None
    return found


@cache
def true_mornings(
    setting: Setting, place: GardenPlace, truth: PastWeather, start: date, last: date
) -> tuple[list[_Morning], date | None]:
    """The mornings of the true season up to the day it runs out, and that day (None: not by ``last``)."""
    days = (last - start).days + 1
    offset = (start - truth.first).days
    mornings = []
    full = _ahead(setting, place, start, days)
    held, root = full.full_l, full.start({})
    for n in range(days):
        mornings.append(_Morning(start + timedelta(days=n), held, root))
        one = _ahead(setting, place, start + timedelta(days=n), 1)
        at = slice(offset + n, offset + n + 1)
        step = store_trajectories(one, held, root, truth.et0_mm[None, at], truth.rain_mm[None, at])
        if step.days_left[0] == 0:
            return mornings, start + timedelta(days=n)
        held, root = float(step.held_l[0, 1]), step.depletion_mm[0]
    return mornings, None


def said_on(
    setting: Setting,
    place: GardenPlace,
    morning: _Morning,
    days: Sequence[DayWeather],
    past: PastWeather | None,
    true_d: int | None,
    seed: int,
) -> Said:
    """What the planner says on that morning."""
    told = degraded(days, morning.day, seed).days
    ahead = [
        as_a_service_says(d, n, place, past) for n, d in enumerate(d for d in told if d.day >= morning.day)
    ]
    ways = ways_ahead(past, forecast_ways(ahead, place, MEMBERS), morning.day, HORIZON_D, MEMBERS)
    assert ways is not None
    garden = _ahead(setting, place, morning.day, HORIZON_D)
    found = store_trajectories(garden, morning.held_l, morning.root_mm, *ways)
    true = true_d if true_d is not None and true_d < HORIZON_D else None
    end = HORIZON_D if true is None else true
    left = found.days_left
    before, by_then = (float(np.mean(x)) for x in (left < end, left <= end))
    early, middle, late = days_left(left, HORIZON_D)
    first, last = (HORIZON_D if d is None else d for d in (early, late))
    inside = float(np.mean((first <= left) & (left <= last)))
    return Said(morning.day, true, early, middle, late, before, by_then, inside)


def as_a_service_says(day: DayWeather, lead: int, place: GardenPlace, past: PastWeather | None) -> DayWeather:
    """The degraded day with the probability of rain that a service would print which knows its own errors.

    By Bayes, from the chances with which ``degraded`` misses and invents rain and the share of wet days that
    the past has at that time of the year: public probabilities are reliable in that sense. Its sun is
    brought back under a clear sky, where the error had lifted it over.
    """
    assert day.rain_mm is not None
    miss = min(MISS_CHANCE_MAX, MISS_CHANCE + MISS_CHANCE_GROWTH * lead)
    false = min(FALSE_CHANCE_MAX, FALSE_CHANCE + FALSE_CHANCE_GROWTH * lead)
    wet = wet_share(past, day.day)
    if_wet, if_dry = (1.0 - miss, false) if day.rain_mm > 0.0 else (miss, 1.0 - false)
    chance = wet * if_wet / (wet * if_wet + (1.0 - wet) * if_dry)
    solar = day.solar_mj_m2
    if solar is not None:
        ra = extraterrestrial(place.latitude_deg, day.day.timetuple().tm_yday)
        solar = min(solar, clear_sky(ra, place.altitude_m))
    return replace(day, rain_probability=chance, solar_mj_m2=solar)


def wet_share(past: PastWeather | None, day: date) -> float:
    """Share of wet days within a month of that day of the year; 0.2 where the past has none (assumption)."""
    if past is None or not len(past.rain_mm):
        return 0.2
    off = (past.first.toordinal() + np.arange(len(past.rain_mm)) - day.toordinal() + 182) % 365 - 182
    rain = past.rain_mm[(np.abs(off) <= 30) & np.isfinite(past.rain_mm)]
    return (float(np.count_nonzero(rain > 0.0)) + 1.0) / (len(rain) + 5.0)


def past_for(
    days: Sequence[DayWeather], place: GardenPlace, which: Past
) -> Callable[[date], PastWeather | None]:
    """The past as known on a day."""
    whole = measured(tuple(days), place)
    if which == "before":
        return whole.until
    if which == "none":
        return lambda day: None

    def others(day: date) -> PastWeather | None:
        # The years after stand before the first, so that a past is a past: the calendar's days stay.
        known, later = (day - whole.first).days, (date(day.year + 1, 1, 1) - whole.first).days
        if later >= len(whole.rain_mm):
            return whole.until(day)
        first = _earlier(date(day.year + 1, 1, 1))
        et0, rain = (np.full((day - first).days, np.nan) for _ in range(2))
        for into, of in ((et0, whole.et0_mm), (rain, whole.rain_mm)):
            into[: len(of) - later] = of[later:]
            into[len(into) - known :] = of[:known]
        return PastWeather(first, et0, rain, whole.latitude_deg)

    return others


def _earlier(day: date) -> date:
    """The same weekday's place in the calendar twelve years before (three leap days: the dates agree)."""
    return day.replace(year=day.year - 12)


def season(
    setting: Setting,
    place: GardenPlace,
    days: Sequence[DayWeather],
    start: date,
    last: date,
    which: Past,
    *,
    every_d: int = 7,
    leads_d: Sequence[int] = LEADS_D,
    seed: int = 11,
) -> tuple[list[Said], dict[int, Said]]:
    """What was said every so many days until the water ended, and so many days before that."""
    truth = measured(tuple(days), place)
    mornings, out = true_mornings(setting, place, truth, start, last)
    known = past_for(days, place, which)

    def say(m: _Morning) -> Said:
        true_d = (out - m.day).days if out is not None else None
        return said_on(setting, place, m, days, known(m.day), true_d, seed)

    # A season that ends before the horizon does tells nothing of that day.
    judged = [m for m in mornings if out is not None or (last - m.day).days >= HORIZON_D]
    weekly = [say(m) for m in judged[::every_d]]
    by_day = {m.day: m for m in mornings}
    leads = {n: out - timedelta(days=n) for n in leads_d} if out is not None else {}
    return weekly, {n: say(by_day[day]) for n, day in leads.items() if day in by_day}


def covered(said: Sequence[Said]) -> float:
    """Share of the days of saying whose span held the truth as it is told to people, in whole days: early <=
    true <= late, both edges held. Days beyond the horizon are one day, in the span and in the truth.

    The usual definition of a closed span, and the one that the project's "80 % of the time" is read by. A
    span of whole days from the 10 % to the 90 % day must hold *at least* 80 % of its own members, and here
    holds 92 % of them (``would_hold``): a planner in no error would be right that often by this count.
    """
    return float(np.mean([s.held for s in said])) if said else float("nan")


def would_hold(said: Sequence[Said]) -> float:
    """Share of the members inside their own span: what ``covered`` is where the truth is like a member."""
    return float(np.mean([s.inside for s in said])) if said else float("nan")


def covered_ties_shared(said: Sequence[Said]) -> float:
    """The strict count: 80 % where the members are as likely as the truth, whatever days they share.

    A true day that several members share counts by the part of them inside the span from 10 to 90 %. This is
    the randomised probability integral transform for counts, its chance worked out (Czado, Gneiting and Held
    2009, Biometrics 65; from memory).
    """
    return float(np.mean([_part_inside(s) for s in said])) if said else float("nan")


def error_of_share(by_year: Sequence[Sequence[Said]], share: Callable[[Sequence[Said]], float]) -> float:
    """Standard error of a share from how it differs between years: the days of a year hang together."""
    shares = [share(said) for said in by_year if said]
    return float(np.std(shares, ddof=1) / np.sqrt(len(shares))) if len(shares) > 1 else float("nan")


def _part_inside(said: Said) -> float:
    """Where no member shares the true day, its place lies between the two about it."""
    low, high = said.before, said.by_then
    if high <= low:
        return float(EARLY <= low <= LATE)
    return max(0.0, min(high, LATE) - max(low, EARLY)) / (high - low)


def errors_d(said: Sequence[Said]) -> list[int]:
    """Middle day less the true day, in days."""
    return [s.middle_d - s.true_d for s in said if s.middle_d is not None and s.true_d is not None]


def starts(year: int) -> Iterator[date]:
    for month, day in ((4, 15), (5, 15), (6, 15), (7, 15), (8, 10)):
        yield date(year, month, day)
