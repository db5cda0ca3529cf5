"""Quantities as people write them, and as they like to read them.

``parse("55 gal", "volume")`` gives a float in the unit that the model uses for that dimension (see
``DIMENSIONS``): metres, m2, litres, L/h, seconds, degC, mm of rain, a share of one. A number without its
unit is refused. A gallon is the US gallon; the imperial one must be spelt (``"40 imp gal"``).

Pint does the converting, with the short list of units in ``data/units.txt``; it loads when a site file uses
a unit beyond the usual ones, whose factors stand here (loading it takes longer than reading the file).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from scheduler.site.errors import QuantityError
from scheduler.site.showing import (
    show_area,
    show_depth,
    show_duration,
    show_flow,
    show_head,
    show_length,
    show_level,
    show_pressure,
    show_rain,
    show_share,
    show_temperature,
    show_volume,
)

if TYPE_CHECKING:
    import pint

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "parse",
    "parse_bearing",
    "show_area",
    "show_depth",
    "show_duration",
    "show_flow",
    "show_head",
    "show_length",
    "show_level",
    "show_pressure",
    "show_rain",
    "show_share",
    "show_temperature",
    "show_volume",
]

Dimension = Literal[
    "length", "area", "volume", "flow", "kv", "cv", "duration", "head", "rain", "temperature", "share"
]

# 3rd CGPM 1901: standard gravity. Water at 1000 kg/m3, as the trade turns pressure into head.
_PASCAL_PER_METRE_OF_WATER = 9.80665 * 1000.0
# Digits kept of a converted value: hides the noise of binary fractions, far finer than any tape measure.
_DIGITS_KEPT = 12


@dataclass(frozen=True, slots=True)
class DimensionInfo:
    """What a dimension is called, the unit of its float, and two ways to write it."""

    words: str
    unit: str
    examples: tuple[str, ...]


DIMENSIONS: dict[Dimension, DimensionInfo] = {
    "length": DimensionInfo("a length", "metre", ("1.2 m", "3 ft 6 in", "35 cm", "40 in")),
    "area": DimensionInfo("an area", "metre ** 2", ("0.4 m2", "12 ft2")),
    "volume": DimensionInfo("a volume", "litre", ("100 L", "55 gal")),
    "flow": DimensionInfo("a flow", "litre / hour", ("2 L/h", "0.5 gph")),
    "kv": DimensionInfo("a flow at 1 bar", "metre ** 3 / hour", ("6 m3/h",)),
    "cv": DimensionInfo("a flow at 1 psi", "gallon / minute", ("7 gpm",)),
    "duration": DimensionInfo("a time", "second", ("8 s", "90 min", "2 h")),
    "head": DimensionInfo("a head of water", "metre", ("1 m", "40 in", "10 kPa", "1.4 psi")),
    "rain": DimensionInfo("a depth of rain", "millimetre", ("0.5 mm", "0.02 in")),
    "temperature": DimensionInfo("a temperature", "celsius", ("12 C", "54 F")),
    "share": DimensionInfo("a share", "ratio", ("85 %",)),
}

_NUMBER = r"\d+(?:\s+|\s*-\s*)\d+/\d+|\d+/\d+|(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_FLUID_OUNCE = r"fl(?:uid\s+|\.\s*|\s+)(?:oz\b\.?|ounces?\b)"
_UNIT = (
    r"(?:[\"″]|''|['′]"  # inch and foot marks of a tape measure
    rf"|(?:(?:(?:imp\.?|imperial|us|u\.s\.|uk)\s+)?{_FLUID_OUNCE}"
    r"|(?:(?:imp\.?|imperial|us|u\.s\.|uk|sq\.?|square|cu\.?|cubic)\s+)?"
    r"(?:[A-Za-z°]+|%)[²³]?(?:(?:\^|\*\*)?[23](?![\d.]))?)"
    r"(?:\s*(?:/|\bper\b)\s*[A-Za-z]+[²³23]?)?(?:(?<=[A-Za-z])\.(?!\d))?)"
)
_TERM = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})\s*", re.IGNORECASE)
_BARE = re.compile(rf"\s*[+-]?\s*({_NUMBER})\s*", re.IGNORECASE)


def parse(text: object, dimension: Dimension) -> float:
    """A written quantity in the unit that ``DIMENSIONS`` gives for its dimension.

    Accepts sums (``"3 ft 6 in"``) and fractions (``"5/8 in"``). Raises QuantityError: no unit, an unknown
    unit, a unit of another dimension, not a number.
    """
    info = DIMENSIONS[dimension]
    if isinstance(text, bool) or not isinstance(text, str):
        raise _refused(text, _bare_remedy(text, info))
    sign, terms = _split(text, info)
    total = sum(_convert(number, unit, dimension, text) for number, unit in terms)
    value = float(f"{sign * total:.{_DIGITS_KEPT}g}")
    if dimension == "temperature" and sign < 0:
        value = _convert(-terms[0][0], terms[0][1], dimension, text)
    if not math.isfinite(value):
        raise _refused(text, f"the number is too large for {info.words}")
    return value


def _refused(text: object, remedy: str) -> QuantityError:
    read = (
        f'"{text}"' if isinstance(text, str) else str(text).lower() if isinstance(text, bool) else str(text)
    )
    return QuantityError(read, remedy)


def _bare_remedy(text: object, info: DimensionInfo) -> str:
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        return f"a bare number: write {info.words} with its unit in quotes, such as {_such_as(info)}"
    return f"write {info.words} as a text in quotes, such as {_such_as(info)}"


def _such_as(info: DimensionInfo) -> str:
    return " or ".join(f'"{e}"' for e in info.examples[:2])


def _split(text: str, info: DimensionInfo) -> tuple[int, list[tuple[float, str]]]:
    """The sign and the terms (number, unit as written) of a quantity."""
    rest = text.strip().replace("−", "-")
    sign = -1 if rest.startswith("-") else 1
    rest = rest.lstrip("+-").strip()
    if re.search(r"\d,\d", rest):
        raise _refused(text, "write the decimal mark as a point and leave out commas, such as 1.5")
    if _BARE.fullmatch(rest):
        raise _refused(text, f"the unit is missing: write {info.words} such as {_such_as(info)}")
    terms: list[tuple[float, str]] = []
    while rest:
        match = _TERM.match(rest)
        if match is None:
            raise _refused(text, f"write {info.words} as number and unit, such as {_such_as(info)}")
        terms.append((_number(match[1], text), match[2]))
        rest = rest[match.end() :]
    if not terms:
        raise _refused(text, f"write {info.words} such as {_such_as(info)}")
    return sign, terms


def _number(written: str, text: str) -> float:
    total = 0.0
    for part in re.split(r"[\s-]+", written) if "/" in written else [written]:
        above, _, below = part.partition("/")
        if below and float(below) == 0:
            raise _refused(text, "a fraction cannot be divided by nothing")
        total += float(above) / float(below) if below else float(above)
    return total


# How people write units, turned into the names of units.txt. Longest first; imperial stays apart.
_SPELLINGS = (
    (re.compile(r"[\"″]|''"), "in"),
    (re.compile(r"['′]"), "ft"),
    (re.compile(r"(?<=[A-Za-z])\.$"), ""),  # "in." and "ft."
    (re.compile(r"°\s*"), "deg"),
    (re.compile(r"%"), "percent"),
    (re.compile(r"²|\^2|\*\*2"), "2"),
    (re.compile(r"³|\^3|\*\*3"), "3"),
    (re.compile(r"\s*\bper\b\s*"), "/"),
    (re.compile(r"\b(?:imp\.?|imperial)\s+gal(?:lons?)?\b", re.I), "imperial_gallon"),
    (re.compile(r"\b(?:us|u\.s\.)\s+", re.I), ""),
    (re.compile(rf"\b{_FLUID_OUNCE}", re.I), "fluid_ounce"),
    (re.compile(r"\b(?:sq\.?|square)\s+(\w+)", re.I), r"\g<1>2"),
    (re.compile(r"\b(?:cu\.?|cubic)\s+(\w+)", re.I), r"\g<1>3"),
    (re.compile(r"\b([A-Za-z_]+)([23])\b"), r"\1**\2"),
)


def _unit_name(written: str) -> str:
    name = written.strip()
    for pattern, replacement in _SPELLINGS:
        name = pattern.sub(replacement, name)
    return name


# What site files are mostly written in, in the unit of each dimension; the tests hold each to Pint and
# units.txt. Inch, foot, pound and US gallon are exact: NIST Handbook 44 Appendix C.
_USUAL_FACTORS: dict[str, dict[str, float]] = {
    "metre": {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048},
    "metre ** 2": {"m**2": 1.0, "ft**2": 0.09290304},
    "litre": {"L": 1.0, "gal": 3.785411784},
    "litre / hour": {"L/h": 1.0, "gph": 3.785411784},
    "metre ** 3 / hour": {"m**3/h": 1.0, "gpm": 0.22712470704},
    "gallon / minute": {"gpm": 1.0},
    "second": {"s": 1.0, "min": 60.0, "h": 3600.0},
    "millimetre": {"mm": 1.0, "in": 25.4},
    "ratio": {"percent": 0.01},
    "pascal": {"kPa": 1000.0, "psi": 0.45359237 * 9.80665 / 0.0254**2},
}


@cache
def _registry() -> pint.UnitRegistry[float]:
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None)
    lines = (files("scheduler.site") / "data" / "units.txt").read_text(encoding="utf-8").splitlines()
    registry.load_definitions(lines)
    return registry


@cache
def _factor(name: str, target: str) -> float | None:
    """How many ``target`` make one ``name``; None: of another dimension. KeyError: no such unit."""
    if (usual := _USUAL_FACTORS.get(target, {}).get(name)) is not None:
        return usual
    import pint

    try:
        one = _registry().Quantity(1.0, name)
    except (
        pint.UndefinedUnitError,
        pint.DefinitionSyntaxError,
        AttributeError,
        TypeError,
        ValueError,
    ) as error:
        raise KeyError(name) from error
    try:
        return float(one.to(target).magnitude)
    except pint.DimensionalityError:
        return None


def _convert(number: float, unit: str, dimension: Dimension, text: str) -> float:
    info = DIMENSIONS[dimension]
    name = _unit_name(unit)
    try:
        is_pressure = dimension == "head" and name in _USUAL_FACTORS["pascal"]
        factor = None if is_pressure else _factor(name, info.unit)
        if factor is None and dimension == "head":
            pascals = _factor(name, "pascal")
            factor = None if pascals is None else pascals / _PASCAL_PER_METRE_OF_WATER
    except KeyError:
        raise _refused(text, _unknown_unit(unit, info)) from None
    if factor is None:
        raise _refused(text, f"{unit!r} is no unit of {info.words}: write {_such_as(info)}")
    if dimension == "temperature":
        # A thermometer's zero is not the zero of the scale, so a factor does not do.
        return round(float(_registry().Quantity(number, name).to("celsius").magnitude), 9)
    return number * factor


def _unknown_unit(unit: str, info: DimensionInfo) -> str:
    lower = unit.lower()
    if lower.startswith(("imp", "uk ")) and "fl" in lower:
        return "a fluid ounce here is the US one: write an imperial one in mL"
    if lower.startswith("uk "):
        return 'spell an imperial gallon as "imp gal" or "imperial gallon"'
    if (name := _right_case(unit)) is not None:
        return f"units are case-sensitive: write {name!r} instead of {unit!r}"
    return f"{unit!r} is no unit known here: write {info.words} such as {_such_as(info)}"


_USUAL = (
    "L/h",
    "L/min",
    "L",
    "m",
    "mm",
    "cm",
    "in",
    "ft",
    "gal",
    "gph",
    "gpm",
    "psi",
    "kPa",
    "min",
    "s",
    "h",
)


def _right_case(unit: str) -> str | None:
    return next((u for u in _USUAL if u.lower() == unit.strip().lower()), None)


_BEARING = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*(?:deg|°)?\s*([NSEW]?)\s*", re.IGNORECASE)


def parse_bearing(text: object, axis: Literal["latitude", "longitude"]) -> float:
    """Degrees north or east from ``"47.45 N"``, ``"122.3 W"`` or ``"-122.3 deg"``. Raises QuantityError."""
    letters, limit, example = ("NS", 90.0, "47.45 N") if axis == "latitude" else ("EW", 180.0, "122.3 W")
    if not isinstance(text, str):
        raise _refused(text, f'write the {axis} with its side in quotes, such as "{example}"')
    match = _BEARING.fullmatch(text)
    side = match[2].upper() if match else ""
    has_unit = bool(side) or "deg" in text.lower() or "°" in text
    if match is None or not has_unit or (side and side not in letters):
        raise _refused(
            text, f'write the {axis} in decimal degrees with {" or ".join(letters)}, such as "{example}"'
        )
    value = float(match[1]) * (-1 if side and side == letters[1] else 1)
    if abs(value) > limit:
        raise _refused(text, f"a {axis} goes up to {limit:.0f} degrees")
    return value
