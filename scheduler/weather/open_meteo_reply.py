"""A reply of Open-Meteo, checked field by field, as days of weather.

Structure, units and time axis are those of its public documentation of ``/v1/forecast``. Nothing in a
reply is believed that was not checked: a wrong unit would water wrongly without a word.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace
from scheduler.weather.checked import ReplyRefusedError, as_number, as_object, figure, needed
from scheduler.weather.ranges import PERCENT, RAIN, SOLAR, TEMPERATURE, WIND, Range
from scheduler.weather.strict_json import Json

DAILY: Mapping[str, tuple[str, Range]] = {
    "temperature_2m_min": ("°C", TEMPERATURE),
    "temperature_2m_max": ("°C", TEMPERATURE),
    "precipitation_sum": ("mm", RAIN),
    "precipitation_probability_max": ("%", PERCENT),
    "shortwave_radiation_sum": ("MJ/m²", SOLAR),
}
HOURLY: Mapping[str, tuple[str, Range]] = {
    "relative_humidity_2m": ("%", PERCENT),
    "dew_point_2m": ("°C", TEMPERATURE),
    "wind_speed_10m": ("m/s", WIND),
}
WIND_HEIGHT_M = 10.0
# A grid cell's middle lies within about 25 km of any place asked for (coarsest global grid, from memory).
PLACE_TOLERANCE_DEG = 0.5
# A day's mean of fewer hours than this is no mean of the day.
LEAST_HOURS = 18

Values = Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for, to hold the reply against."""

    place: GardenPlace
    first: date
    count: int

    @property
    def dates(self) -> tuple[date, ...]:
        return tuple(self.first + timedelta(days=n) for n in range(self.count))


def days_of_reply(reply: Json, asked: Asked) -> tuple[DayWeather, ...]:
    """The days of a reply; raises ReplyRefusedError.

    A day's rain is its whole local day's: for today what fell already and what is still to come together.
    Humidity and dew point are the least, the greatest and the mean of the hours, wind their mean.
    """
    top = as_object(reply, "the reply")
    check_place(top, asked)
    daily = _block(top, "daily", DAILY)
    hourly = _block(top, "hourly", HOURLY)
    check_days(daily["time"], asked)
    hour_days = _days_of_hours(hourly["time"], asked)
    columns = {
        name: _values("daily", name, daily, allowed, asked.count) for name, (_, allowed) in DAILY.items()
    }
    hours = {
        name: _values("hourly", name, hourly, allowed, len(hour_days))
        for name, (_, allowed) in HOURLY.items()
    }
    days = tuple(
        _day(
            day, {k: v[n] for k, v in columns.items()}, {k: _on(day, hour_days, v) for k, v in hours.items()}
        )
        for n, day in enumerate(asked.dates)
    )
    if all(d.tmin_c is None and d.tmax_c is None and d.rain_mm is None for d in days):
        raise ReplyRefusedError("every figure in it is missing")
    return days


def check_place(top: Mapping[str, Json], asked: Asked) -> None:
    place = asked.place
    for key, wanted in (("latitude", place.latitude_deg), ("longitude", place.longitude_deg)):
        off = abs(as_number(needed(top, key, "the reply"), key) - wanted)
        if min(off, 360.0 - off) > PLACE_TOLERANCE_DEG:
            raise ReplyRefusedError(f"its {key} is not the garden's")
    if needed(top, "timezone", "the reply") != place.timezone.key:
        raise ReplyRefusedError(f"its time zone is not {place.timezone.key}")
    offset_s = as_number(needed(top, "utc_offset_seconds", "the reply"), "utc_offset_seconds")
    if offset_s not in _offsets_s(asked):
        raise ReplyRefusedError(f"its offset from UTC, {offset_s:g} s, is not that of {place.timezone.key}")


def _offsets_s(asked: Asked) -> set[float]:
    """Offsets in force at the garden on the days asked for: two when clocks change."""
    zone = asked.place.timezone
    noons = (datetime.combine(d, time(12), zone) for d in asked.dates)
    return {(n.utcoffset() or timedelta()).total_seconds() for n in noons}


def _block(top: Mapping[str, Json], name: str, fields: Mapping[str, tuple[str, Range]]) -> Mapping[str, Json]:
    """One block of parallel arrays, its units as expected."""
    units = as_object(needed(top, f"{name}_units", "the reply"), f"{name}_units")
    block = as_object(needed(top, name, "the reply"), name)
    expected = {"time": "iso8601"} | {field: unit for field, (unit, _) in fields.items()}
    for field, unit in expected.items():
        given = needed(units, field, f"{name}_units")
        if given != unit:
            raise ReplyRefusedError(f"{name} {field} is in {str(given)[:20]!r}, not in {unit!r}")
        needed(block, field, name)
    return block


def _values(where: str, name: str, block: Mapping[str, Json], allowed: Range, count: int) -> Values:
    column = block[name]
    if not isinstance(column, list) or len(column) != count:
        raise ReplyRefusedError(f"{where} {name} is no list of {count}")
    return [figure(v, f"{where} {name}", allowed) for v in column]


def check_days(axis: Json, asked: Asked) -> None:
    expected = [d.isoformat() for d in asked.dates]
    if axis != expected:
        first = axis[0] if isinstance(axis, list) and axis else "nothing"
        raise ReplyRefusedError(
            f"its days begin with {str(first)[:10]} instead of {expected[0]}, or are not the {asked.count} "
            "asked for; it is out of date, or this machine's clock is wrong"
        )


def _days_of_hours(axis: Json, asked: Asked) -> list[date]:
    """The local day of each hour. Either each day has 24, or the hours that a clock on the wall shows."""
    plain = [(d, h) for d in asked.dates for h in range(24)]
    for hours in (plain, _wall_hours(asked)):
        if axis == [f"{d.isoformat()}T{h:02d}:00" for d, h in hours]:
            return [d for d, _ in hours]
    raise ReplyRefusedError("its hours are not those of the days asked for")


def _wall_hours(asked: Asked) -> list[tuple[date, int]]:
    """Day and hour as the garden's clocks show them: one is missing or comes twice when they change."""
    zone = asked.place.timezone
    after = asked.first + timedelta(days=asked.count)
    start = datetime.combine(asked.first, time(), zone).astimezone(UTC)
    end = datetime.combine(after, time(), zone).astimezone(UTC)
    instants = (start + timedelta(hours=n) for n in range(round((end - start) / timedelta(hours=1))))
    return [(local.date(), local.hour) for local in (i.astimezone(zone) for i in instants)]


def _on(day: date, hour_days: Sequence[date], values: Values) -> list[float]:
    """What is known of one day's hours; nothing when too few are."""
    known = [v for d, v in zip(hour_days, values, strict=True) if d == day and v is not None]
    return known if len(known) >= LEAST_HOURS else []


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _day(day: date, daily: Mapping[str, float | None], hours: Mapping[str, Sequence[float]]) -> DayWeather:
    tmin_c, tmax_c = daily["temperature_2m_min"], daily["temperature_2m_max"]
    if tmin_c is not None and tmax_c is not None and tmin_c > tmax_c:
        raise ReplyRefusedError(f"on {day} its lowest temperature is above the highest")
    chance_pct = daily["precipitation_probability_max"]
    humidity = hours["relative_humidity_2m"]
    return DayWeather(
        day=day,
        tmin_c=tmin_c,
        tmax_c=tmax_c,
        rain_mm=daily["precipitation_sum"],
        rain_probability=None if chance_pct is None else chance_pct / 100.0,
        dewpoint_c=_mean(hours["dew_point_2m"]),
        rh_min_pct=min(humidity, default=None),
        rh_max_pct=max(humidity, default=None),
        rh_mean_pct=_mean(humidity),
        wind_ms=_mean(hours["wind_speed_10m"]),
        wind_height_m=WIND_HEIGHT_M,
        solar_mj_m2=daily["shortwave_radiation_sum"],
    )
