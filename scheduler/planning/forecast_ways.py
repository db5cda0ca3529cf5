"""Members about a plain forecast, for services that give one value a day and a probability of rain.

A member's day is wet with the forecast's probability; its amount is the forecast's, or where the forecast is
dry a small one, times an error; its ET0 is the forecast's times an error that grows with the lead and lasts
from day to day. The draws are seeded by the forecast itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.weather import DayWeather
from scheduler.planning.past_years import PastWeather, resampled
from scheduler.site.model import GardenPlace

Array = NDArray[np.float64]

# sd of the logarithm of a day's forecast ET0 over the true one, today and more with each day of lead (from
# memory: 0.5 to 1 mm of 5 mm in the first week), and how much of an error lasts to the next day.
ET0_LOG_SD = 0.12
ET0_LOG_SD_GROWTH = 0.01
ERROR_LASTS = 0.5
# The same of the amount on a wet day (from memory).
RAIN_LOG_SD = 0.6
# Median rain of a day that was forecast dry and is wet, mm (assumption).
SURPRISE_MM = 2.0
# Chance of rain where the service gives an amount and no probability (assumption).
WET_IF_FORECAST, WET_IF_DRY = 0.8, 0.1


def forecast_ways(days: Sequence[DayWeather], place: GardenPlace, members: int) -> tuple[Array, Array]:
    """ET0 and rain in mm, (members, days), about consecutive forecast days; nan where a day does not say."""
    et0 = np.full((members, len(days)), np.nan)
    rain = np.full((members, len(days)), np.nan)
    rng = _generator(days, members)
    error = rng.standard_normal(members)
    for lead, day in enumerate(days):
        fresh, chance, amount = (
            rng.standard_normal(members),
            rng.random(members),
            rng.standard_normal(members),
        )
        error = ERROR_LASTS * error + np.sqrt(1.0 - ERROR_LASTS**2) * fresh if lead else error
        found = reference_et(day, place)
        if found is not None:
            et0[:, lead] = found.et0_mm * np.exp((ET0_LOG_SD + ET0_LOG_SD_GROWTH * lead) * error)
        if day.rain_mm is not None:
            wet = chance < _wet_chance(day)
            base = day.rain_mm if day.rain_mm > 0.0 else SURPRISE_MM
            rain[:, lead] = np.where(wet, base * np.exp(RAIN_LOG_SD * amount), 0.0)
    return et0, rain


def ways_ahead(
    past: PastWeather | None,
    forecast: tuple[Array, Array] | None,
    first: date,
    days: int,
    members: int,
) -> tuple[Array, Array] | None:
    """The forecast's members as far as they go, then the past's; holes of the forecast are the past's too.

    None where neither gives anything. Without a past the forecast's last days go on and no rain is assumed.
    """
    drawn = resampled(past, first, days, members) if past is not None else None
    if forecast is None:
        return drawn
    ahead = min(days, forecast[0].shape[1])
    if drawn is None:
        drawn = _carried_on(forecast, days)
        if drawn is None:
            return None
    et0, rain = drawn[0].copy(), drawn[1].copy()
    for whole, part in ((et0, forecast[0]), (rain, forecast[1])):
        part = part[np.arange(members) % part.shape[0], :ahead]
        whole[:, :ahead] = np.where(np.isfinite(part), part, whole[:, :ahead])
    return et0, rain


def _carried_on(forecast: tuple[Array, Array], days: int) -> tuple[Array, Array] | None:
    """Every member's own mean ET0 held on, and no rain."""
    et0 = forecast[0]
    if not np.isfinite(et0).any(axis=1).all():
        return None
    return np.repeat(np.nanmean(et0, axis=1)[:, None], days, axis=1), np.zeros((len(et0), days))


def _wet_chance(day: DayWeather) -> float:
    if day.rain_probability is not None:
        return day.rain_probability
    return WET_IF_FORECAST if day.rain_mm else WET_IF_DRY


def _generator(days: Sequence[DayWeather], members: int) -> np.random.Generator:
    return np.random.default_rng([crc32(repr(tuple(days)).encode()), members])
