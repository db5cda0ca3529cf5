"""Litres in a barrel as a person would slice it: areas of thin slices, summed by SciPy's quadrature.

Nothing here uses the product's mensuration: walls are drawn from the barrel's own measures, and a barrel
that leans is cut across the lean, each slice wet up to where the level surface meets it.
"""

from __future__ import annotations

from math import asin, cos, sin, sqrt, tan

import numpy as np
from scipy.integrate import quad

from scheduler.site.model import Barrel, Tank

# Asked of the quadrature, m3 a metre: a thousandth of what a can shows.
CLOSE = 1e-9


def sliced_litres(barrel: Barrel, depth_m: float) -> float:
    """Litres with the surface ``depth_m`` above the middle of the bottom, up to the overflow."""
    depth = min(depth_m, barrel.height_m)
    if barrel.table:
        rows = [(0.0, 0.0), *barrel.table]
        return float(np.interp(depth, *zip(*rows, strict=True)))
    if barrel.tilt_m:
        return 1000.0 * _leaning(barrel, depth)
    return 1000.0 * _sum(lambda z: _slice_m2(barrel, z), 0.0, max(0.0, depth))


def litres_above_outlet(tank: Tank, level_m: float) -> float:
    """Litres of all barrels between the outlet and the level."""
    heights = (tank.outlet_height_m, tank.outlet_height_m + level_m)
    low, high = (sum(sliced_litres(b, h - b.base_height_m) for b in tank.barrels) for h in heights)
    return high - low


def _sum(area, low: float, high: float) -> float:
    return float(quad(area, low, high, epsabs=CLOSE, limit=200)[0]) if high > low else 0.0


def _chord(radius: float, from_centre: float) -> float:
    return 2.0 * sqrt(max(0.0, radius**2 - from_centre**2))


def _radius(barrel: Barrel, z: float) -> float:
    places, widths = [0.0, barrel.height_m], [barrel.diameter_m, barrel.top_diameter_m]
    if barrel.middle_diameter_m:
        places.append(0.5 * barrel.height_m)
        widths.append(barrel.middle_diameter_m)
    # Straight or, with the width half way up, the parabola through the three: Lagrange's formula.
    total = 0.0
    for i, (place, width) in enumerate(zip(places, widths, strict=True)):
        others = [p for j, p in enumerate(places) if j != i]
        total += 0.5 * width * float(np.prod([(z - p) / (place - p) for p in others]))
    return total


def _slice_m2(barrel: Barrel, z: float) -> float:
    """Area of the level slice at height z of a barrel that stands level."""
    if barrel.shape == "box":
        return barrel.length_m * barrel.width_m
    if barrel.shape == "lying":
        return barrel.length_m * _chord(0.5 * barrel.diameter_m, z - 0.5 * barrel.diameter_m)
    radius = 0.5 * barrel.diameter_m if barrel.shape == "upright" else _radius(barrel, z)
    return np.pi * radius**2


def _leaning(barrel: Barrel, depth: float) -> float:
    """In the barrel's own frame water stands up to (depth + x sin) / cos along its axis, x the low way."""
    span = barrel.length_m if barrel.shape in ("box", "lying") else barrel.diameter_m
    lean = asin(barrel.tilt_m / span)

    def wet_m(x: float) -> float:
        return max(0.0, (depth + x * sin(lean)) / cos(lean))

    half = 0.5 * span
    edge = min(half, max(-half, -depth / sin(lean)))  # dry from the high side up to here
    if barrel.shape == "box":
        return _sum(lambda x: barrel.width_m * wet_m(x), edge, half)
    if barrel.shape == "upright":
        return _sum(lambda x: _chord(half, x) * wet_m(x), edge, half)
    if barrel.shape == "lying":
        radius = 0.5 * barrel.diameter_m
        return _sum(
            lambda x: _sum(lambda u: _chord(radius, u - radius), 0.0, min(wet_m(x), 2 * radius)), edge, half
        )
    return _leaning_round(barrel, depth, lean)


def _leaning_round(barrel: Barrel, depth: float, lean: float) -> float:
    """A wall whose radius changes: discs along the axis, each wet on the low side of the surface."""

    def disc(u: float) -> float:
        radius = _radius(barrel, u)
        dry_to = min(radius, max(-radius, (u * cos(lean) - depth) / sin(lean)))
        return _sum(lambda x: _chord(radius, x), dry_to, radius)

    reach = depth / cos(lean)
    most = 0.6 * max(w for w in (barrel.diameter_m, barrel.top_diameter_m, barrel.middle_diameter_m) if w)
    low, high = max(0.0, reach - most * tan(lean)), max(0.0, reach + most * tan(lean))
    return _sum(lambda u: np.pi * _radius(barrel, u) ** 2, 0.0, low) + _sum(disc, low, high)
