"""Axes in the garden's own units: a factor from SI and the unit's sign."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.site.model import DisplayUnits

# NIST Handbook 44 Appendix C, all exact.
_METRE_PER_INCH = 0.0254
_METRE_PER_FOOT = 0.3048
_MM_PER_INCH = 25.4
_LITRE_PER_GALLON = 3.785411784


@dataclass(frozen=True, slots=True)
class Scale:
    """``value * factor`` is in ``unit``."""

    factor: float
    unit: str

    def __call__(self, value: float) -> float:
        return value * self.factor


def level_scale(units: DisplayUnits) -> Scale:
    """Heights and levels: centimetres or inches."""
    return Scale(1.0 / _METRE_PER_INCH, "in") if units == "us" else Scale(100.0, "cm")


def along_scale(units: DisplayUnits) -> Scale:
    """Distances along pipes: metres or feet."""
    return Scale(1.0 / _METRE_PER_FOOT, "ft") if units == "us" else Scale(1.0, "m")


def rain_scale(units: DisplayUnits) -> Scale:
    """From millimetres."""
    return Scale(1.0 / _MM_PER_INCH, "in") if units == "us" else Scale(1.0, "mm")


def flow_scale(units: DisplayUnits) -> Scale:
    return Scale(1.0 / _LITRE_PER_GALLON, "gph") if units == "us" else Scale(1.0, "L/h")
