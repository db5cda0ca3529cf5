"""A reply of MET Norway's Locationforecast 2.0, checked, as spans of weather.

Structure and units are those of its public documentation (``compact`` and ``complete``). All its times are
UTC. It begins now, not at midnight: about 2.5 days by the hour, then by six hours, the last entry without
any period. An hour stands again within the six hours around it, and is counted once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from scheduler.site.model import GardenPlace
from scheduler.weather.checked import (
    ReplyRefusedError,
    as_list,
    as_number,
    as_object,
    as_text,
    figure,
    needed,
)
from scheduler.weather.day_parts import Parts
from scheduler.weather.ranges import PERCENT, RAIN, TEMPERATURE, WIND, Range
from scheduler.weather.strict_json import Json
from scheduler.weather.timeline import Span, moment, without_overlap

# Names of instant details: their unit in ``meta.units`` and their range.
INSTANT: Mapping[str, tuple[str, Range]] = {
    "air_temperature": ("celsius", TEMPERATURE),
    "relative_humidity": ("%", PERCENT),
    "dew_point_temperature": ("celsius", TEMPERATURE),
    "wind_speed": ("m/s", WIND),
    "cloud_area_fraction": ("%", PERCENT),
}
PERIOD: Mapping[str, tuple[str, Range]] = {
    "precipitation_amount": ("mm", RAIN),
    "probability_of_precipitation": ("%", PERCENT),
    "air_temperature_min": ("celsius", TEMPERATURE),
    "air_temperature_max": ("celsius", TEMPERATURE),
}
# Without these there is no forecast; the others are absent in many regions.
ALWAYS = ("air_temperature", "precipitation_amount")
HOURS: Mapping[str, timedelta] = {
    "next_1_hours": timedelta(hours=1),
    "next_6_hours": timedelta(hours=6),
}
# An instant holds until the next entry, and never longer than the step of the later days.
LONGEST_STEP = timedelta(hours=6)
# It answers for the very point asked for; its numbers are ours rounded.
PLACE_TOLERANCE_DEG = 0.05


@dataclass(frozen=True, slots=True)
class MetNorwayReply:
    """What it told and when it made it (UTC)."""

    parts: Parts
    updated_at: datetime


def read_reply(reply: Json, place: GardenPlace) -> MetNorwayReply:
    """Raises ReplyRefusedError."""
    top = as_object(reply, "the reply")
    _check_place(top, place)
    properties = as_object(needed(top, "properties", "the reply"), "properties")
    meta = as_object(needed(properties, "meta", "properties"), "meta")
    _check_units(as_object(needed(meta, "units", "meta"), "units"))
    entries = [_Entry.of(e) for e in as_list(needed(properties, "timeseries", "properties"), "timeseries")]
    if len(entries) < 2:
        raise ReplyRefusedError("its time series has no two entries")
    if any(b.at <= a.at for a, b in pairwise(entries)):
        raise ReplyRefusedError("its times do not rise")
    updated = _moment(needed(meta, "updated_at", "meta"), "updated_at")
    return MetNorwayReply(_parts(entries), updated)


@dataclass(frozen=True, slots=True)
class _Entry:
    at: datetime
    data: Mapping[str, Json]

    @classmethod
    def of(cls, value: Json) -> _Entry:
        entry = as_object(value, "an entry")
        at = _moment(needed(entry, "time", "an entry"), "time")
        return cls(at, as_object(needed(entry, "data", "an entry"), "data"))

    def instant(self, name: str) -> float | None:
        return self._detail("instant", name, INSTANT[name][1])

    def period(self, block: str, name: str) -> float | None:
        return self._detail(block, name, PERIOD[name][1])

    def _detail(self, block: str, name: str, allowed: Range) -> float | None:
        """A block may be missing, and may have a summary and no details."""
        outer = self.data.get(block)
        if outer is None:
            return None
        details = as_object(outer, block).get("details")
        if details is None:
            return None
        return figure(as_object(details, f"{block} details").get(name), f"{block} {name}", allowed)


def _parts(entries: Sequence[_Entry]) -> Parts:
    instants = {name: _instants(entries, name) for name in INSTANT}
    return Parts(
        temperature_c=instants["air_temperature"],
        lowest_c=_periods(entries, "air_temperature_min"),
        highest_c=_periods(entries, "air_temperature_max"),
        dewpoint_c=instants["dew_point_temperature"],
        humidity_pct=instants["relative_humidity"],
        wind_ms=instants["wind_speed"],
        cloud_pct=instants["cloud_area_fraction"],
        rain_mm=without_overlap(_periods(entries, "precipitation_amount")),
        rain_chance_pct=without_overlap(_periods(entries, "probability_of_precipitation")),
    )


def _instants(entries: Sequence[_Entry], name: str) -> list[Span]:
    ends = [e.at for e in entries[1:]] + [entries[-1].at + timedelta(hours=1)]
    return [
        Span(e.at, min(end, e.at + LONGEST_STEP), e.instant(name))
        for e, end in zip(entries, ends, strict=True)
    ]


def _periods(entries: Sequence[_Entry], name: str) -> list[Span]:
    """The shortest period of each entry that tells the figure."""
    spans = []
    for entry in entries:
        for block, length in HOURS.items():
            value = entry.period(block, name)
            if value is not None:
                spans.append(Span(entry.at, entry.at + length, value))
                break
    return spans


def _check_units(units: Mapping[str, Json]) -> None:
    for name, (unit, _) in {**INSTANT, **PERIOD}.items():
        given = units.get(name)
        if given is None and name not in ALWAYS:
            continue
        if given != unit:
            raise ReplyRefusedError(f"{name} is in {str(given)[:20]!r}, not in {unit!r}")


def _check_place(top: Mapping[str, Json], place: GardenPlace) -> None:
    geometry = as_object(needed(top, "geometry", "the reply"), "geometry")
    point = as_list(needed(geometry, "coordinates", "geometry"), "coordinates")
    if len(point) < 2:
        raise ReplyRefusedError("its coordinates are no point")
    for what, value, wanted in (
        ("longitude", point[0], place.longitude_deg),
        ("latitude", point[1], place.latitude_deg),
    ):
        if abs(as_number(value, what) - wanted) > PLACE_TOLERANCE_DEG:
            raise ReplyRefusedError(f"its {what} is not the garden's")


def _moment(value: Json, what: str) -> datetime:
    try:
        return moment(as_text(value, what))
    except ValueError as error:
        raise ReplyRefusedError(f"{what}: {error}") from error
