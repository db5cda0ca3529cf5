"""ET0 of a day that nobody has forecast: from its temperatures, or from the same week of stored years.

Each comes with an interval that holds the truth about 80 times in 100, wider the less is known and the
older what is known. The widths are ours; the tests measure them on open data.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, sqrt

import numpy as np

from scheduler.agronomy.et0 import hargreaves, reference_et
from scheduler.agronomy.weather import DayWeather, Et0Estimate
from scheduler.site.model import GardenPlace

# The name of what is not a forecast but out of the place's own past.
STORED_YEARS = "same week of stored years"
# Half a week to both sides: the "same week".
WEEK_SIDE = timedelta(days=3)
# Mean length of a year of the calendar, days.
YEAR_D = 365.2425
# Days nearer than this are of the same year.
HALF_YEAR_D = 182
# Fewer days than this are no week of a year.
LEAST_DAYS = 4
# Standard normal quantile of 90 %: the interval is 10 to 90 %.
Z_90 = 1.2816
# Relative sd of a day's ET0 against Eq 6 with all inputs measured. Measured here, April to October, on the
# Greensboro typical year and the Maricopa season: 0.19 for Eq 52, bias included; 0.06 and 0.12 for Eq 6 with
# the sun estimated. What is told in full still is a forecast (ours).
LOG_SD_TOLD = 0.08
LOG_SD_ESTIMATED = 0.15
LOG_SD_HARGREAVES = 0.19
# A forecast that ages says less each day (ours): so much sd is added, as a square, per day of age.
LOG_SD_PER_DAY = 0.05
# 90 % quantile of Student's t by degrees of freedom (standard table), as a multiple of the normal's.
T_90 = {1: 3.078, 2: 1.886, 3: 1.638, 4: 1.533, 5: 1.476, 6: 1.440, 7: 1.415, 8: 1.397, 9: 1.383, 10: 1.372}


@dataclass(frozen=True, slots=True)
class PastWeek:
    """What the same week of stored years had. ``et0_mm`` are single days, over all years."""

    years: int
    tmin_c: float  # median of the days
    tmax_c: float
    et0_mm: tuple[float, ...]


def week_of_past(past: Iterable[DayWeather], day: date, place: GardenPlace) -> PastWeek | None:
    """The days within half a week of ``day`` in other years; None where there are too few.

    "Other years" are those at least half a year away, so that last week is no past year.
    """
    told = [(d, et) for d in _same_week(tuple(past), day) if (et := reference_et(d, place)) is not None]
    if len(told) < LEAST_DAYS:
        return None
    lows = [d.tmin_c for d, _ in told if d.tmin_c is not None]
    highs = [d.tmax_c for d, _ in told if d.tmax_c is not None]
    years = len({round((d.day - day).days / 365.25) for d, _ in told})
    return PastWeek(
        years, float(np.median(lows)), float(np.median(highs)), tuple(et.et0_mm for _, et in told)
    )


def estimated_et0(
    day: date,
    told: DayWeather | None,
    age_d: float,
    past: Sequence[DayWeather],
    place: GardenPlace,
) -> Et0Estimate | None:
    """The best that can be said of a day's ET0.

    ``told``: the day of the last good forecast, ``age_d`` days old. With temperature, humidity and sun it
    is Eq 6; with temperatures alone Hargreaves; where the forecast does not reach, or its interval has
    grown wider than the past's, the same week of stored years. None where nothing is known.
    """
    if age_d < 0.0:
        raise ValueError(f"the age of a forecast is {age_d:g} days; it cannot be negative")
    by_forecast = _from_forecast(told, age_d, place) if told is not None else None
    by_past = _from_past(day, past, place)
    if by_forecast is None or by_past is None:
        return by_forecast or by_past
    narrower = by_forecast.high_mm - by_forecast.low_mm <= by_past.high_mm - by_past.low_mm
    return by_forecast if narrower else by_past


def _from_forecast(told: DayWeather, age_d: float, place: GardenPlace) -> Et0Estimate | None:
    full = reference_et(told, place)
    if full is None:
        return None
    if {"humidity", "solar", "wind"} <= set(full.filled):
        alone = hargreaves(told, place)
        found, sd = (alone or full), LOG_SD_HARGREAVES
    else:
        found, sd = full, LOG_SD_ESTIMATED if full.filled else LOG_SD_TOLD
    spread = Z_90 * sqrt(sd**2 + age_d * LOG_SD_PER_DAY**2)
    text = found.method + (f"; forecast {age_d:.1f} days old" if age_d >= 0.5 else "")
    return Et0Estimate(told.day, found.et0_mm, found.et0_mm * exp(-spread), found.et0_mm * exp(spread), text)


def _from_past(day: date, past: Sequence[DayWeather], place: GardenPlace) -> Et0Estimate | None:
    week = week_of_past(past, day, place)
    if week is None:
        return None
    low, middle, high = (float(q) for q in np.quantile(week.et0_mm, (0.1, 0.5, 0.9)))
    # A new year differs from the stored ones as they do from each other; of few years that is known badly:
    # the prediction interval's factor, one degree of freedom a year.
    wider = T_90.get(week.years, Z_90) / Z_90 * sqrt(1.0 + 1.0 / week.years)
    text = f"same week of {week.years} stored year{'s' if week.years > 1 else ''}"
    return Et0Estimate(
        day, middle, max(0.0, middle - wider * (middle - low)), middle + wider * (high - middle), text
    )


def _same_week(past: Sequence[DayWeather], day: date) -> list[DayWeather]:
    """Those of other years within WEEK_SIDE of ``day`` in the calendar, also across New Year."""
    apart_d = np.abs(np.array([d.day.toordinal() for d in past], dtype=np.int64) - day.toordinal())
    off_d = apart_d % YEAR_D
    # Most of many years' days are neither; the calendar is asked of the rest.
    maybe = (apart_d > HALF_YEAR_D) & (np.minimum(off_d, YEAR_D - off_d) <= WEEK_SIDE.days + 2)
    return [past[i] for i in np.flatnonzero(maybe).tolist() if _within_week(past[i].day, day)]


def _within_week(one: date, other: date) -> bool:
    apart = abs(one.timetuple().tm_yday - other.timetuple().tm_yday)
    return min(apart, 365 - apart) <= WEEK_SIDE.days
