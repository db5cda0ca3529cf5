"""Measured days in the structure of the other services' replies: MET Norway, the US service, an ensemble.

Structures are those of their public documentation and stored samples; values are the days', spread over
the hours in a plain way (lowest at 3 h, highest at 15 h local, rain even over the day).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from math import cos, pi
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather
from scheduler.weather.practice_reply import Reply
from scheduler.weather.timeline import bounds

HOUR = timedelta(hours=1)
# MET Norway's axis: so much by the hour, then by six hours up to the end.
HOURLY_FOR = timedelta(hours=60)
ENDS_AFTER = timedelta(hours=228)
# Some offices tell the amount of rain for less than three days.
SHORT_RAIN = timedelta(hours=70)
MEMBERS = 4


def _hour(days: Mapping[date, DayWeather], at: datetime, zone: ZoneInfo) -> tuple[float | None, float | None]:
    """Temperature at an instant and rain of the hour that begins then."""
    local = at.astimezone(zone)
    day = days.get(local.date())
    if day is None or day.tmin_c is None or day.tmax_c is None:
        return None, None
    middle, half = (day.tmax_c + day.tmin_c) / 2.0, (day.tmax_c - day.tmin_c) / 2.0
    start, end = bounds(day.day, zone)
    rain = None if day.rain_mm is None else day.rain_mm * (HOUR / (end - start))
    return middle + half * cos(2.0 * pi * (local.hour - 15) / 24.0), rain


def met_norway(
    days: Sequence[DayWeather], now: datetime, *, latitude: float, longitude: float, zone: ZoneInfo
) -> Reply:
    """Begins with the present hour, ends with an entry that has an instant only."""
    by_day = {d.day: d for d in days}
    begins = now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    turn = begins + HOURLY_FOR
    turn += HOUR * (-turn.hour % 6)
    times = [begins + n * HOUR for n in range(round((turn - begins) / HOUR))]
    times += [turn + n * 6 * HOUR for n in range(round(ENDS_AFTER / (6 * HOUR)))]
    known = [t for t in times if _hour(by_day, t, zone)[0] is not None]
    series = [_entry(by_day, t, zone, hourly=t < turn, last=t == known[-1]) for t in known]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, 40]},
        "properties": {
            "meta": {
                "updated_at": f"{now - HOUR:%Y-%m-%dT%H:%M:%SZ}",
                "units": {
                    "air_pressure_at_sea_level": "hPa",
                    "air_temperature": "celsius",
                    "cloud_area_fraction": "%",
                    "precipitation_amount": "mm",
                    "relative_humidity": "%",
                    "wind_from_direction": "degrees",
                    "wind_speed": "m/s",
                },
            },
            "timeseries": series,
        },
    }


def _entry(
    days: Mapping[date, DayWeather], at: datetime, zone: ZoneInfo, *, hourly: bool, last: bool
) -> dict[str, object]:
    temperature, rain = _hour(days, at, zone)
    data: dict[str, object] = {
        "instant": {
            "details": {
                "air_temperature": _short(temperature),
                "cloud_area_fraction": 40.0,
                "relative_humidity": 60.0,
                "wind_speed": 2.0,
            }
        }
    }
    if not last:
        six = [_hour(days, at + n * HOUR, zone)[1] for n in range(6)]
        if all(r is not None for r in six):
            data["next_6_hours"] = {
                "summary": {"symbol_code": "cloudy"},
                "details": {"precipitation_amount": _short(sum(r for r in six if r is not None))},
            }
        if hourly and rain is not None:
            data["next_1_hours"] = {
                "summary": {"symbol_code": "cloudy"},
                "details": {"precipitation_amount": _short(rain)},
            }
        data["next_12_hours"] = {"summary": {"symbol_code": "cloudy"}}
    return {"time": f"{at:%Y-%m-%dT%H:%M:%SZ}", "data": data}


def us_points(base_url: str) -> Reply:
    return {
        "type": "Feature",
        "properties": {
            "gridId": "SEW",
            "gridX": 124,
            "gridY": 67,
            "forecastGridData": f"{base_url}/gridpoints/SEW/124,67",
            "timeZone": "America/Los_Angeles",
        },
    }


def us_grid(days: Sequence[DayWeather], now: datetime, zone: ZoneInfo, *, short_rain: bool = False) -> Reply:
    """Lows and highs in night and day windows, rain merged to whole local days, states of merged hours."""
    coming = [d for d in days if bounds(d.day, zone)[1] > now][:7]
    lows, highs, rain, states = [], [], [], []
    for day in coming:
        start, end = bounds(day.day, zone)
        whole = {23: "PT23H", 24: "P1D", 25: "P1DT1H"}[round((end - start) / HOUR)]
        lows.append(_valid(start - 3 * HOUR, "PT14H", day.tmin_c))
        highs.append(_valid(start + 7 * HOUR, "PT13H", day.tmax_c))
        states.append(_valid(start, whole, 60))
        if not short_rain or start < now + SHORT_RAIN:
            rain.append(_valid(start, whole, day.rain_mm))
    return {
        "type": "Feature",
        "properties": {
            "updateTime": f"{now - HOUR:%Y-%m-%dT%H:%M:%S+00:00}",
            "elevation": {"unitCode": "wmoUnit:m", "value": 40.0},
            "minTemperature": {"uom": "wmoUnit:degC", "values": lows},
            "maxTemperature": {"uom": "wmoUnit:degC", "values": highs},
            "relativeHumidity": {"uom": "wmoUnit:percent", "values": states},
            "windSpeed": {
                "uom": "wmoUnit:km_h-1",
                "values": [_valid(bounds(d.day, zone)[0], "P1D", 7.2) for d in coming],
            },
            "skyCover": {"uom": "wmoUnit:percent", "values": states},
            "quantitativePrecipitation": {"uom": "wmoUnit:mm", "values": rain},
            "probabilityOfPrecipitation": {"uom": "wmoUnit:percent", "values": states},
        },
    }


def _valid(start: datetime, lasts: str, value: float | None) -> dict[str, object]:
    return {"validTime": f"{start:%Y-%m-%dT%H:%M:%S+00:00}/{lasts}", "value": value}


def ensemble(forecast: Reply, *, model: str | None = None, all_null: bool = False) -> Reply:
    """A forecast's daily block with MEMBERS members: member n has n mm more rain."""
    daily, units = forecast["daily"], forecast["daily_units"]
    if not isinstance(daily, dict) or not isinstance(units, dict):
        raise ValueError("daily must be asked for")
    tail = f"_{model}" if model else ""
    found: dict[str, object] = {"time": daily["time"]}
    named: dict[str, object] = {"time": "iso8601"}
    for name in (k for k in daily if k != "time"):
        for n in range(MEMBERS):
            key = (f"{name}_member{n:02d}" if n else name) + tail
            more = float(n) if name == "precipitation_sum" else 0.0
            empty = all_null or n == MEMBERS - 1  # the last member knows nothing
            found[key] = [None if v is None or empty else v + more for v in daily[name]]
            named[key] = units[name]
    return {**forecast, "daily": found, "daily_units": named}


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
