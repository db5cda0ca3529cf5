"""Litres in one barrel by its depth: upright and lying drums with flat ends, boxes. Inside measures."""

from __future__ import annotations

from math import acos, pi, sqrt

from scheduler.site.model import Barrel

LITRES_PER_M3 = 1000.0


def cylinder_segment_share(depth_over_diameter: float) -> float:
    """Share of a lying cylinder with flat ends that is filled at a depth/diameter from 0 to 1.

    The circular segment's area over the circle's (any handbook of mensuration).
    """
    x = min(1.0, max(0.0, depth_over_diameter))
    from_centre = 1.0 - 2.0 * x
    return (acos(from_centre) - from_centre * sqrt(max(0.0, 1.0 - from_centre**2))) / pi


def barrel_litres(barrel: Barrel, depth_m: float) -> float:
    """Litres in one barrel at a depth above its base, capped by its overflow height.

    Raises ValueError where a measure that its shape needs is missing.
    """
    depth = min(max(depth_m, 0.0), barrel.height_m)
    if barrel.shape == "box":
        area = _measure(barrel, "length_m") * _measure(barrel, "width_m")
        return LITRES_PER_M3 * area * depth
    diameter = _measure(barrel, "diameter_m")
    circle = pi * diameter**2 / 4.0
    if barrel.shape == "upright":
        return LITRES_PER_M3 * circle * depth
    return LITRES_PER_M3 * circle * _measure(barrel, "length_m") * cylinder_segment_share(depth / diameter)


def _measure(barrel: Barrel, name: str) -> float:
    value: float | None = getattr(barrel, name)
    if value is None:
        raise ValueError(f"barrel {barrel.id!r} is {barrel.shape} and needs {name}")
    return value
