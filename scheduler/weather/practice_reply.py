"""Measured days in the structure of the forecast service's reply.

The structure is that of the public documentation of Open-Meteo's ``/v1/forecast``: parallel arrays with
their units, local times without a zone, null where a figure is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from math import log, pi, sin
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather

Value = float | None
Reply = dict[str, object]

DAILY_UNITS = {
    "temperature_2m_max": "°C",
    "temperature_2m_min": "°C",
    "precipitation_sum": "mm",
    "precipitation_probability_max": "%",
    "shortwave_radiation_sum": "MJ/m²",
}
HOURLY_UNITS = {
    "relative_humidity_2m": "%",
    "dew_point_2m": "°C",
    "wind_speed_10m": "m/s",
}
WIND_HEIGHT_M = 10.0


def reply(
    days: Sequence[DayWeather],
    *,
    today: date,
    past_days: int,
    forecast_days: int,
    latitude: float,
    longitude: float,
    zone: ZoneInfo,
    daily: Sequence[str],
    hourly: Sequence[str],
    true_hours: bool = False,
) -> Reply:
    """The reply for one place. ``true_hours``: a day on which clocks change has 23 or 25 hours.

    KeyError names a variable that this stand-in does not have.
    """
    by_day = {d.day: d for d in days}
    dates = [today + timedelta(days=n) for n in range(-past_days, forecast_days)]
    chosen = [by_day.get(d, DayWeather(d)) for d in dates]
    noon = datetime.combine(today, time(12), zone)
    answer: Reply = {
        "latitude": round(latitude * 16) / 16,  # the middle of a grid cell, not the place asked for
        "longitude": round(longitude * 16) / 16,
        "generationtime_ms": 0.4,
        "utc_offset_seconds": int((noon.utcoffset() or timedelta()).total_seconds()),
        "timezone": zone.key,
        "timezone_abbreviation": noon.tzname(),
        "elevation": 40.0,
    }
    if hourly:
        hours = [local_hours(d, zone) if true_hours else list(range(24)) for d in dates]
        answer["hourly_units"] = {"time": "iso8601"} | {v: HOURLY_UNITS[v] for v in hourly}
        answer["hourly"] = {"time": _hour_labels(dates, hours)} | {
            v: [HOURLY[v](d, h) for d, hs in zip(chosen, hours, strict=True) for h in hs] for v in hourly
        }
    if daily:
        answer["daily_units"] = {"time": "iso8601"} | {v: DAILY_UNITS[v] for v in daily}
        answer["daily"] = {"time": [d.isoformat() for d in dates]} | {
            v: [_rounded(DAILY[v](d)) for d in chosen] for v in daily
        }
    return answer


def local_hours(day: date, zone: ZoneInfo) -> list[int]:
    """The hours that a clock on the wall shows through a day: 23, 24 or 25 of them."""
    start = datetime.combine(day, time(), zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), zone).astimezone(UTC)
    count = round((end - start) / timedelta(hours=1))
    return [(start + timedelta(hours=n)).astimezone(zone).hour for n in range(count)]


def _hour_labels(dates: Sequence[date], hours: Sequence[Sequence[int]]) -> list[str]:
    return [f"{d.isoformat()}T{h:02d}:00" for d, hs in zip(dates, hours, strict=True) for h in hs]


def _rounded(value: Value, digits: int = 2) -> Value:
    return None if value is None else round(value, digits)


def _percent(share: Value) -> Value:
    return None if share is None else round(100.0 * share)


def _wind_10m(day: DayWeather) -> Value:
    """Wind at 10 m by the logarithmic profile over grass (FAO-56 Eq 47, used both ways)."""
    if day.wind_ms is None:
        return None
    return day.wind_ms * log(67.8 * WIND_HEIGHT_M - 5.42) / log(67.8 * day.wind_height_m - 5.42)


def _humidity(day: DayWeather, hour: int) -> Value:
    """Highest at 3 h, lowest at 15 h, a sine between; a lone mean stays level."""
    if day.rh_min_pct is None or day.rh_max_pct is None:
        return _rounded(day.rh_mean_pct, 0)
    middle, half = (day.rh_max_pct + day.rh_min_pct) / 2, (day.rh_max_pct - day.rh_min_pct) / 2
    return _rounded(middle - half * sin(2 * pi * (hour - 9) / 24), 1)


DAILY: Mapping[str, Callable[[DayWeather], Value]] = {
    "temperature_2m_max": lambda d: d.tmax_c,
    "temperature_2m_min": lambda d: d.tmin_c,
    "precipitation_sum": lambda d: d.rain_mm,
    "precipitation_probability_max": lambda d: _percent(d.rain_probability),
    "shortwave_radiation_sum": lambda d: d.solar_mj_m2,
}
HOURLY: Mapping[str, Callable[[DayWeather, int], Value]] = {
    "relative_humidity_2m": _humidity,
    "dew_point_2m": lambda d, _: _rounded(d.dewpoint_c, 2),
    "wind_speed_10m": lambda d, _: _rounded(_wind_10m(d), 3),
}
