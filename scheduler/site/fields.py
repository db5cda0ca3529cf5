"""The kinds of entry a site file has. Each knows how to read one value and its own JSON Schema.

A kind's ``read`` returns the value for the model or raises QuantityError with what was read and the remedy.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from difflib import get_close_matches
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from scheduler.site.errors import QuantityError
from scheduler.site.quantities import DIMENSIONS, Dimension, parse, parse_bearing
from scheduler.site.zone_names import zone_remedy

Json = dict[str, Any]
IDENT_PATTERN = "[a-z0-9][a-z0-9-]*"
_LONGEST_TEXT = 200


class Kind(Protocol):
    """One kind of value."""

    def read(self, value: object) -> Any: ...

    def schema(self) -> Json: ...


def as_read(value: object) -> str:
    """A TOML value as the person wrote it, shortened."""
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list):
        text = f"[{', '.join(as_read(v) for v in value)}]"
    elif isinstance(value, (date, time)):
        text = value.isoformat()
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def refuse(value: object, remedy: str) -> QuantityError:
    return QuantityError(as_read(value), remedy)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant."""
    by_lower = {k.lower(): k for k in known}
    found = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """``"did you mean 'bore'?"``, or the list of what is known."""
    names = sorted(known)
    guess = nearest(word, names)
    if guess is not None:
        return f"did you mean {guess!r}?"
    shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"known here: {shown}" if names else "there is none"


# Catalogues tell gallons at 1 psi and cubic metres at 1 bar; taken for the other, a flow is off 3.8 times.
_AT_THE_OTHER_PRESSURE: dict[str, tuple[re.Pattern[str], str]] = {
    "kv": (re.compile(r"gp[mh]|gal", re.I), "in gallons it is told at 1 psi: write it as cv (filter_cv)"),
    "cv": (
        re.compile(r"m[3³^*]|l/|lit|lp[hm]", re.I),
        "in m3 or L it is told at 1 bar: write it as kv (filter_kv)",
    ),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity with its unit; ``least`` and ``most`` in the unit of the dimension, shown as ``span``.

    ``such_as``: what is usual here, where the dimension's own examples are not."""

    dimension: Dimension
    least: float
    most: float
    span: str
    above_least: bool = False  # the least itself is refused
    such_as: str = ""

    def read(self, value: object) -> float:
        number = parse(value, self.dimension)
        unit, remedy = _AT_THE_OTHER_PRESSURE.get(self.dimension, (None, ""))
        if unit is not None and unit.search(str(value)):
            raise refuse(value, remedy)
        if not self._within(number):
            raise refuse(value, f"give {DIMENSIONS[self.dimension].words} {self.span}")
        return number

    def _within(self, number: float) -> bool:
        return number <= self.most and (number > self.least if self.above_least else number >= self.least)

    def schema(self) -> Json:
        found: Json = {"type": "string", "pattern": r"^\s*[-+]?[\d.]"}
        usual = [e for e in DIMENSIONS[self.dimension].examples if self._within(parse(e, self.dimension))]
        examples = [self.such_as] if self.such_as else usual
        return found | {"examples": examples} if examples else found


@dataclass(frozen=True, slots=True)
class Span:
    """Two quantities, the lower first."""

    quantity: Quantity

    def read(self, value: object) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise refuse(value, 'give two heads in brackets, lower first, such as ["0.4 m", "1.6 m"]')
        low, high = (self.quantity.read(v) for v in value)
        if not low < high:
            raise refuse(value, "put the lower one first")
        return low, high

    def schema(self) -> Json:
        return {"type": "array", "items": self.quantity.schema(), "minItems": 2, "maxItems": 2}


@dataclass(frozen=True, slots=True)
class Bearing:
    axis: Any  # "latitude" or "longitude"

    def read(self, value: object) -> float:
        return parse_bearing(value, self.axis)

    def schema(self) -> Json:
        return {"type": "string", "examples": ["47.45 N" if self.axis == "latitude" else "122.3 W"]}


@dataclass(frozen=True, slots=True)
class Number:
    """A pure number: an exponent, a rank, a channel."""

    least: float
    most: float
    whole: bool = False

    def read(self, value: object) -> float | int:
        what = "a whole number" if self.whole else "a number"
        span = f"from {self.least:g} to {self.most:g}"
        good = isinstance(value, int) or (isinstance(value, float) and not self.whole)
        if isinstance(value, bool) or not good:
            raise refuse(value, f"give {what} {span}, without quotes and without a unit")
        assert isinstance(value, (int, float))
        if not self.least <= value <= self.most:
            raise refuse(value, f"give {what} {span}")
        return value

    def schema(self) -> Json:
        return {"type": "integer" if self.whole else "number", "minimum": self.least, "maximum": self.most}


@dataclass(frozen=True, slots=True)
class Text:
    def read(self, value: object) -> str:
        if not isinstance(value, str):
            raise refuse(value, "write a text in quotes")
        if not value.strip() or len(value) > _LONGEST_TEXT or any(ord(c) < 32 for c in value):
            raise refuse(value, f"write one line of 1 to {_LONGEST_TEXT} characters")
        return value.strip()

    def schema(self) -> Json:
        return {"type": "string", "minLength": 1, "maxLength": _LONGEST_TEXT}


@dataclass(frozen=True, slots=True)
class Ident:
    """A short name that other entries, messages and commands use."""

    def read(self, value: object) -> str:
        if not isinstance(value, str) or not re.fullmatch(IDENT_PATTERN, value) or len(value) > 40:
            raise refuse(value, f'write small letters, digits and hyphens, such as "{self._mended(value)}"')
        return value

    def _mended(self, value: object) -> str:
        slug = (
            re.sub(r"[^a-z0-9]+", "-", str(value).lower()).strip("-")[:40] if isinstance(value, str) else ""
        )
        return slug or "north-bed"

    def schema(self) -> Json:
        return {"type": "string", "pattern": f"^{IDENT_PATTERN}$", "maxLength": 40}


@dataclass(frozen=True, slots=True)
class Word:
    """One of a few words; ``also`` finds the word for another name of the same thing, ``hint`` says what to
    do about a word that is none of them."""

    words: tuple[str, ...]
    also: Callable[[str], str | None] | None = None
    hint: Callable[[str], str | None] | None = None

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            raise refuse(value, f"write one of {self._some()} in quotes")
        if value in self.words:
            return value
        other = self.also(value) if self.also else None
        if other is not None:
            raise refuse(value, f"write {other!r}: that is its name here")
        hint = self.hint(value) if self.hint else None
        raise refuse(value, hint or did_you_mean(value, self.words))

    def _some(self) -> str:
        return ", ".join(self.words[:8]) + (", ..." if len(self.words) > 8 else "")

    def schema(self) -> Json:
        return {"enum": list(self.words)}


@dataclass(frozen=True, slots=True)
class KindName:
    """A known word, or a name that the file itself gives: the check of the whole file tells which."""

    words: tuple[str, ...]

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            raise refuse(value, f"write a kind in quotes, such as {self.words[0]!r}")
        return value

    def schema(self) -> Json:
        return {**Ident().schema(), "examples": list(self.words)}


@dataclass(frozen=True, slots=True)
class Words:
    """Several of a few words."""

    words: tuple[str, ...]

    def read(self, value: object) -> tuple[str, ...]:
        if not isinstance(value, list) or not value:
            raise refuse(value, f'write a list in brackets, such as ["{self.words[0]}", "{self.words[1]}"]')
        one = Word(self.words)
        return tuple(one.read(v) for v in value)

    def schema(self) -> Json:
        return {"type": "array", "items": {"enum": list(self.words)}, "minItems": 1}


@dataclass(frozen=True, slots=True)
class Flag:
    def read(self, value: object) -> bool:
        if not isinstance(value, bool):
            raise refuse(value, "write true or false, without quotes")
        return value

    def schema(self) -> Json:
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Day:
    def read(self, value: object) -> date:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        try:
            if isinstance(value, str):
                return date.fromisoformat(value)
        except ValueError:
            pass
        raise refuse(value, "write a day of the calendar as year-month-day, such as 2012-05-15")

    def schema(self) -> Json:
        return {"type": "string", "format": "date"}


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    such_as: str = "05:30"

    def read(self, value: object) -> time:
        if isinstance(value, time):
            return value.replace(microsecond=0)
        if isinstance(value, str) and (match := re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", value.strip())):
            return time(int(match[1]), int(match[2]))
        raise refuse(value, 'write a time of day from 00:00 to 23:59, such as "05:30"')

    def schema(self) -> Json:
        return {
            "type": "string",
            "pattern": r"^([01]?\d|2[0-3]):[0-5]\d(:\d\d)?$",
            "examples": [self.such_as],
        }


@dataclass(frozen=True, slots=True)
class Zone:
    """A time zone by its name in the tz database."""

    def read(self, value: object) -> ZoneInfo:
        try:
            if (isinstance(value, str) and "/" in value) or value == "UTC":
                return ZoneInfo(str(value))
        except (KeyError, ValueError, OSError):
            pass
        raise refuse(value, zone_remedy(value))

    def schema(self) -> Json:
        return {"type": "string", "examples": ["America/Los_Angeles", "Europe/Paris"]}


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a section."""

    name: str
    kind: Kind | Table
    about: str
    required: bool = False
    default: Any = None
    also_called: tuple[str, ...] = ()  # what people write instead, where the spelling does not tell


@dataclass(frozen=True, slots=True)
class Section:
    """A table of the site file: its keys, and what it is."""

    about: str
    fields: tuple[Field, ...] = field(default=())

    def find(self, name: str) -> Field | None:
        return next((f for f in self.fields if f.name == name), None)


@dataclass(frozen=True, slots=True)
class Table:
    """A nested section: one table, a "list" (array of tables), or tables that are "named"."""

    section: Section
    many: str = "one"
    header: str = ""  # how it is written, for remedies: "[[zone.line]]"
