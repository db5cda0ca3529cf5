"""A forecast as it might have been: measured days with errors that grow with the lead.

For rehearsals and the practice garden. The sizes of the errors are from memory of how public forecasts
of the middle latitudes verify; none is fitted to a published table, so they are a scenario, not a claim.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from math import exp

import numpy as np

from scheduler.agronomy.weather import DayWeather, Outlook

# Standard deviation of a day's temperature extremes, K, for today; grows by so much a day (from memory:
# about 1.5 K for the next day, 3 K a week ahead).
TEMPERATURE_SD_K = 1.5
TEMPERATURE_SD_GROWTH_K = 0.2
# Share of that variance which minimum, maximum and dew point have in common (assumption).
SHARED_VARIANCE = 0.5
# Chance that a wet day is forecast dry, for today and more with each day of lead, up to a cap (assumption).
MISS_CHANCE = 0.10
MISS_CHANCE_GROWTH = 0.05
MISS_CHANCE_MAX = 0.45
# Chance that a dry day is forecast wet (assumption), and the median amount then, mm.
FALSE_CHANCE = 0.05
FALSE_CHANCE_GROWTH = 0.02
FALSE_CHANCE_MAX = 0.20
FALSE_RAIN_MM = 2.0
# Standard deviation of the logarithm of a forecast amount of rain over the true one (assumption).
RAIN_LOG_SD = 0.5
# The same for the day's mean wind and its solar radiation (assumption).
WIND_LOG_SD = 0.25
SOLAR_LOG_SD = 0.15
# Standard deviation of relative humidity, percent points (assumption).
HUMIDITY_SD_PCT = 6.0
# The least range of temperature a day keeps, K, so that errors never turn it over.
LEAST_RANGE_K = 0.5
# As the measured days are printed.
RAIN_STEP_DIGITS = 1
DEFAULT_DAYS = 7


def degraded(
    days: Iterable[DayWeather],
    today: date,
    seed: int,
    *,
    coming_days: int = DEFAULT_DAYS,
    fetched_at: datetime | None = None,
    source: str = "rehearsed forecast",
) -> Outlook:
    """What a forecast made on ``today`` says: the past as measured, today and later with errors.

    ``coming_days`` counts today. The same days, today and seed give the same outlook; the error of a
    future day changes from one forecast to the next, as in life. What was not measured stays None.
    ``fetched_at`` is midnight UTC of today when not given.
    """
    last = today + timedelta(days=coming_days - 1)
    stamp = fetched_at or datetime.combine(today, time(), UTC)
    shown = tuple(
        d if d.day < today else _guessed(d, (d.day - today).days, _stream(seed, today, d.day))
        for d in days
        if d.day <= last
    )
    return Outlook(days=shown, source=source, fetched_at=stamp)


def _stream(seed: int, today: date, day: date) -> np.random.Generator:
    """One stream per forecast and day, so that days left out do not shift the others."""
    return np.random.default_rng([abs(seed), today.toordinal(), day.toordinal()])


def _guessed(day: DayWeather, lead: int, rng: np.random.Generator) -> DayWeather:
    """One day as forecast ``lead`` days before. Draws the same number of values for each day."""
    shared, low, high, dew, rain, amount, wind, solar, humidity = rng.standard_normal(9).tolist()
    chance = float(rng.random())
    sd = TEMPERATURE_SD_K + TEMPERATURE_SD_GROWTH_K * lead
    tmin_c, tmax_c = _moved(day.tmin_c, sd, shared, low), _moved(day.tmax_c, sd, shared, high)
    if tmin_c is not None and tmax_c is not None:
        tmax_c = max(tmax_c, tmin_c + LEAST_RANGE_K)
    return replace(
        day,
        tmin_c=tmin_c,
        tmax_c=tmax_c,
        dewpoint_c=_moved(day.dewpoint_c, sd, shared, dew),
        rain_mm=_rain(day.rain_mm, lead, chance, amount),
        rain_probability=_rain_probability(day.rain_mm, lead, chance, rain),
        wind_ms=_scaled(day.wind_ms, WIND_LOG_SD, wind),
        solar_mj_m2=_scaled(day.solar_mj_m2, SOLAR_LOG_SD, solar),
        rh_min_pct=_humidity(day.rh_min_pct, humidity),
        rh_mean_pct=_humidity(day.rh_mean_pct, humidity),
        rh_max_pct=_humidity(day.rh_max_pct, humidity),
    )


def _moved(value: float | None, sd: float, shared: float, own: float) -> float | None:
    if value is None:
        return None
    error = float(np.sqrt(SHARED_VARIANCE)) * shared + float(np.sqrt(1.0 - SHARED_VARIANCE)) * own
    return value + sd * error


def _scaled(value: float | None, log_sd: float, draw: float) -> float | None:
    return None if value is None else value * exp(log_sd * draw)


def _humidity(value: float | None, draw: float) -> float | None:
    return None if value is None else min(100.0, max(0.0, value + HUMIDITY_SD_PCT * draw))


def _miss_chance(lead: int) -> float:
    return min(MISS_CHANCE_MAX, MISS_CHANCE + MISS_CHANCE_GROWTH * lead)


def _false_chance(lead: int) -> float:
    return min(FALSE_CHANCE_MAX, FALSE_CHANCE + FALSE_CHANCE_GROWTH * lead)


def _forecast_wet(true_mm: float, lead: int, chance: float) -> bool:
    return chance >= _miss_chance(lead) if true_mm > 0.0 else chance < _false_chance(lead)


def _rain(true_mm: float | None, lead: int, chance: float, draw: float) -> float | None:
    if true_mm is None:
        return None
    if not _forecast_wet(true_mm, lead, chance):
        return 0.0
    base_mm = true_mm if true_mm > 0.0 else FALSE_RAIN_MM
    return round(base_mm * exp(RAIN_LOG_SD * draw), RAIN_STEP_DIGITS)


def _rain_probability(true_mm: float | None, lead: int, chance: float, draw: float) -> float | None:
    """High when rain is forecast, low when not, and less sure with the lead; blurred, as printed ones are."""
    if true_mm is None:
        return None
    sure = 1.0 - _miss_chance(lead) if _forecast_wet(true_mm, lead, chance) else _false_chance(lead)
    return round(min(1.0, max(0.0, sure + 0.1 * draw)), 2)
