"""Parts of a reply taken with their checks; what fails is told in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from scheduler.weather.ranges import Range
from scheduler.weather.strict_json import Json


class ReplyRefusedError(ValueError):
    """What in the reply cannot be believed, in plain words."""


def needed(container: Mapping[str, Json], key: str, where: str) -> Json:
    if key not in container:
        raise ReplyRefusedError(f"{where} has no {key!r}")
    return container[key]


def as_object(value: Json, what: str) -> Mapping[str, Json]:
    if not isinstance(value, dict):
        raise ReplyRefusedError(f"{what} is no JSON object")
    return value


def as_list(value: Json, what: str) -> list[Json]:
    if not isinstance(value, list):
        raise ReplyRefusedError(f"{what} is no list")
    return value


def as_text(value: Json, what: str) -> str:
    if not isinstance(value, str):
        raise ReplyRefusedError(f"{what} is no text")
    return value


def as_number(value: Json, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ReplyRefusedError(f"{what} is no number")
    return float(value)


def figure(value: Json, what: str, allowed: Range, factor: float = 1.0) -> float | None:
    """A number times ``factor`` within its range; None for null, which is *missing* and never 0."""
    if value is None:
        return None
    number = as_number(value, what) * factor
    if not allowed.holds(number):
        raise ReplyRefusedError(f"{what} is {number:g}, outside {allowed}")
    return number
