"""Quantities in the sentences of changes: in the garden's own units, as ``changes`` reads them back.

What is advised is solved from the very sentence that is shown, so no digit is lost between the two.
"""

from __future__ import annotations

import math

from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_flow

# Exact: NIST Handbook 44 Appendix C.
_METRE_PER_INCH, _METRE_PER_FOOT = 0.0254, 0.3048
# Kv (m3/h at 1 bar) of a part of Cv 1 (US gallon of 231 cubic inches a minute, at 1 psi of 6894.757 Pa): flow
# goes with the root of the pressure.
KV_PER_CV = 3.785411784 * 60.0 / 1000.0 / math.sqrt(6894.757 / 100_000.0)
# Three digits, and none that nobody can measure.
_WHOLE_FROM = 99.95
# Raises of a stand worth building, in whole steps of each system of units.
_RISES = {"metric": ("15 cm", "30 cm", "60 cm"), "us": ("6 in", "12 in", "24 in")}


def rises(units: DisplayUnits) -> tuple[str, ...]:
    """Raises of a stand that are tried, from low to high."""
    return _RISES[units]


def bore_words(bore_m: float, units: DisplayUnits) -> str:
    """An inner bore, as tube is sold by: a tenth of a millimetre, a hundredth of an inch."""
    return f"{bore_m / _METRE_PER_INCH:.2f} in" if units == "us" else f"{round(bore_m * 1000.0, 1):g} mm"


def place_words(at_m: float, units: DisplayUnits) -> str:
    """A place along a line, rounded down so that it never lies beyond the line's end."""
    unit, size, steps = ("ft", _METRE_PER_FOOT, 10) if units == "us" else ("m", 1.0, 100)
    # A hair is added, for a place that is whole in its unit may lie just below it as a binary fraction.
    return f"{math.floor(at_m / size * steps + 1e-6) / steps:g} {unit}"


def flow_words(flow_lph: float, units: DisplayUnits) -> str:
    """A flow as it is shown everywhere."""
    return show_flow(flow_lph, units)


def part_words(kv_m3ph: float, units: DisplayUnits) -> str:
    """What a part lets through, in two digits: Kv, or for US units Cv."""
    value = kv_m3ph / KV_PER_CV if units == "us" else kv_m3ph
    decimals = max(0, 1 - math.floor(math.log10(value)))
    number = f"{round(value, decimals):g}"
    return f"cv {number} gpm" if units == "us" else f"{number} m3/h"


def volume_word(units: DisplayUnits) -> str:
    """The unit of volume as a word."""
    return "gallon" if units == "us" else "litre"


def show_height(height_m: float, units: DisplayUnits) -> str:
    """A level, a head or a rise always in centimetres or inches, so that those of one text can be compared by
    eye: a tenth of them, and whole ones from a hundred on. No minus before a zero."""
    value = height_m / _METRE_PER_INCH if units == "us" else 100.0 * height_m
    decimals = 1 if abs(value) < _WHOLE_FROM else 0
    return f"{round(value, decimals) + 0.0:.{decimals}f} {'in' if units == 'us' else 'cm'}"
