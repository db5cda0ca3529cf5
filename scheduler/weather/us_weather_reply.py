"""Replies of the US National Weather Service (points, then gridpoints), checked, as spans of weather.

Structure and units are those of its public documentation and stored samples. Every figure holds for
``start/duration``. Equal neighbours are merged, so one entry may span days: a state is the same all that
time, a sum is spread over it. The amount of rain ends sooner than its chance; beyond it is unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from scheduler.weather.checked import ReplyRefusedError, as_list, as_object, as_text, figure, needed
from scheduler.weather.day_parts import Parts
from scheduler.weather.ranges import PERCENT, RAIN, TEMPERATURE, WIND, Range
from scheduler.weather.strict_json import Json
from scheduler.weather.timeline import Span, duration, moment, without_overlap

KMH_TO_MS = 1.0 / 3.6
# Layers: what its uom must be, what a value is multiplied by, and the range of the product.
LAYERS: Mapping[str, tuple[str, float, Range]] = {
    "temperature": ("wmoUnit:degC", 1.0, TEMPERATURE),
    "minTemperature": ("wmoUnit:degC", 1.0, TEMPERATURE),
    "maxTemperature": ("wmoUnit:degC", 1.0, TEMPERATURE),
    "dewpoint": ("wmoUnit:degC", 1.0, TEMPERATURE),
    "relativeHumidity": ("wmoUnit:percent", 1.0, PERCENT),
    "windSpeed": ("wmoUnit:km_h-1", KMH_TO_MS, WIND),
    "skyCover": ("wmoUnit:percent", 1.0, PERCENT),
    "quantitativePrecipitation": ("wmoUnit:mm", 1.0, RAIN),
    "probabilityOfPrecipitation": ("wmoUnit:percent", 1.0, PERCENT),
}


@dataclass(frozen=True, slots=True)
class UsWeatherReply:
    """What it told and when it made it (UTC)."""

    parts: Parts
    updated_at: datetime


def grid_address(reply: Json, base_url: str) -> str:
    """The address of the grid cell in a reply of ``points``; raises ReplyRefusedError.

    Only on the server that was asked: an answer must not send us elsewhere.
    """
    properties = as_object(needed(as_object(reply, "the reply"), "properties", "the reply"), "properties")
    address = as_text(needed(properties, "forecastGridData", "properties"), "forecastGridData")
    asked, told = urlsplit(base_url), urlsplit(address)
    if (told.scheme, told.hostname, told.port) != (asked.scheme, asked.hostname, asked.port):
        raise ReplyRefusedError(f"it sends us to another server, {str(told.hostname)[:60]}")
    if not told.path.startswith("/gridpoints/") or told.query or told.fragment:
        raise ReplyRefusedError("it names no grid cell")
    return address


def read_grid(reply: Json) -> UsWeatherReply:
    """The reply of a grid cell; raises ReplyRefusedError."""
    properties = as_object(needed(as_object(reply, "the reply"), "properties", "the reply"), "properties")
    try:
        updated = moment(as_text(needed(properties, "updateTime", "properties"), "updateTime"))
    except ValueError as error:
        raise ReplyRefusedError(f"updateTime: {error}") from error
    told = {name: _layer(properties, name) for name in LAYERS}
    return UsWeatherReply(
        Parts(
            temperature_c=without_overlap(told["temperature"]),
            lowest_c=told["minTemperature"],
            highest_c=told["maxTemperature"],
            dewpoint_c=without_overlap(told["dewpoint"]),
            humidity_pct=without_overlap(told["relativeHumidity"]),
            wind_ms=without_overlap(told["windSpeed"]),
            cloud_pct=without_overlap(told["skyCover"]),
            rain_mm=without_overlap(told["quantitativePrecipitation"]),
            rain_chance_pct=without_overlap(told["probabilityOfPrecipitation"]),
        ),
        updated,
    )


def _layer(properties: Mapping[str, Json], name: str) -> list[Span]:
    """The layer's figures; empty where there is no such layer, or nothing in it."""
    if properties.get(name) is None:
        return []
    layer = as_object(properties[name], name)
    values = as_list(layer.get("values", []), f"{name} values")
    if not values:
        return []
    unit, factor, allowed = LAYERS[name]
    if layer.get("uom") != unit:
        raise ReplyRefusedError(f"{name} is in {str(layer.get('uom'))[:30]!r}, not in {unit!r}")
    return [_span(as_object(v, f"a value of {name}"), name, factor, allowed) for v in values]


def _span(entry: Mapping[str, Json], name: str, factor: float, allowed: Range) -> Span:
    text = as_text(needed(entry, "validTime", f"a value of {name}"), "validTime")
    begins, _, lasts = text.partition("/")
    try:
        start = moment(begins)
        end = start + duration(lasts)
    except ValueError as error:
        raise ReplyRefusedError(f"{name} validTime: {error}") from error
    return Span(start, end, figure(entry.get("value"), name, allowed, factor))
