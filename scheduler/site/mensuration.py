"""Litres in one barrel by its depth, for every shape: closed forms where there are any. Inside measures.

Depth is measured straight up from the middle of the bottom. A barrel whose bottom rises by ``tilt_m`` from
one side to the other holds water on its low side before its middle is wet, so a small negative depth counts.
The wall is taken to go on above the overflow on the low side, as it does below a lid.
"""

from __future__ import annotations

from functools import lru_cache
from math import acos, cos, pi, sqrt

from scheduler.site.model import Barrel

LITRES_PER_M3 = 1000.0
# Discs over the partly wet part of a tilted taper; the error is measured in the tests.
_DISCS = 16
# Rounds of finding where a tilted surface meets the wall: each gains the wall's slope times the tilt. They
# end when one moves it by less than a picometre.
_ROUNDS = 30
_FOUND_M = 1e-12


def cylinder_segment_share(depth_over_diameter: float) -> float:
    """Share of a lying cylinder with flat ends that is filled at a depth/diameter from 0 to 1.

    The circular segment's area over the circle's (any handbook of mensuration).
    """
    x = min(1.0, max(0.0, depth_over_diameter))
    from_centre = 1.0 - 2.0 * x
    return (acos(from_centre) - from_centre * sqrt(max(0.0, 1.0 - from_centre**2))) / pi


def lowest_depth_m(barrel: Barrel) -> float:
    """Depth at which the first water stands in it: 0, or less for a barrel that is not level."""
    return -0.5 * barrel.tilt_m


def litres_at_depth(barrel: Barrel, depth_m: float) -> float:
    """Litres in one barrel at a depth above the middle of its bottom, capped at its overflow.

    Raises ValueError where a measure that its shape needs is missing.
    """
    depth = min(depth_m, barrel.height_m)
    if depth <= lowest_depth_m(barrel):
        return 0.0
    if barrel.shape == "table":
        return _from_table(barrel, depth)
    slope = _slope(barrel)
    if slope == 0.0:
        return LITRES_PER_M3 * _level_m3(barrel, depth)
    # From here on along the barrel's own axis, which leans with it.
    return LITRES_PER_M3 * _tilted_m3(barrel, depth * sqrt(1.0 + slope**2), slope)


def tilt_span_m(barrel: Barrel) -> float:
    """The length over which ``tilt_m`` is measured: across a drum's bottom, along a box or lying drum."""
    return _measure(barrel, "length_m" if barrel.shape in ("box", "lying") else "diameter_m")


def _slope(barrel: Barrel) -> float:
    """Tangent of the lean, from the rise over the bottom's own length (the sloping side)."""
    if barrel.tilt_m == 0.0:
        return 0.0
    rise = barrel.tilt_m / tilt_span_m(barrel)
    if not 0.0 < rise < 1.0:
        raise ValueError(f"barrel {barrel.id!r} cannot lean by {barrel.tilt_m:g} m over its own length")
    return rise / sqrt(1.0 - rise**2)


def _measure(barrel: Barrel, name: str) -> float:
    value: float | None = getattr(barrel, name)
    if value is None:
        raise ValueError(f"barrel {barrel.id!r} is {barrel.shape} and needs {name}")
    return value


# ---- Standing level --------------------------------------------------------------------------------------


def _level_m3(barrel: Barrel, depth: float) -> float:
    if barrel.shape == "box":
        return _measure(barrel, "length_m") * _measure(barrel, "width_m") * depth
    diameter = _measure(barrel, "diameter_m")
    circle = pi * diameter**2 / 4.0
    if barrel.shape == "upright":
        return circle * depth
    if barrel.shape == "taper":
        return _round_m3(_radius_rule(barrel), depth)
    return circle * _measure(barrel, "length_m") * cylinder_segment_share(depth / diameter)


def _radius_rule(barrel: Barrel) -> tuple[float, float, float]:
    """Radius at a depth z as a + b z + c z^2, through bottom, top and, when given, the middle.

    Without a middle it is a straight wall, a frustum; with one the wall is a parabola, as a bulged drum's or
    a cask's is commonly taken.
    """
    height = barrel.height_m
    bottom = 0.5 * _measure(barrel, "diameter_m")
    top = 0.5 * _measure(barrel, "top_diameter_m")
    if barrel.middle_diameter_m is None:
        return bottom, (top - bottom) / height, 0.0
    middle = 0.5 * barrel.middle_diameter_m
    return (
        bottom,
        (4.0 * middle - 3.0 * bottom - top) / height,
        2.0 * (bottom + top - 2.0 * middle) / height**2,
    )


def _round_m3(rule: tuple[float, float, float], z: float) -> float:
    """Integral of pi r^2 from the bottom to z. A straight wall gives the frustum's pi h (R^2 + R r + r^2) / 3
    and equal ends the cask's pi h (8 D^2 + 4 D d + 3 d^2) / 60 (handbooks of mensuration)."""
    a, b, c = rule
    terms = (a * a, a * b, (b * b + 2.0 * a * c) / 3.0, b * c / 2.0, c * c / 5.0)
    return pi * sum(term * z ** (n + 1) for n, term in enumerate(terms))


def _from_table(barrel: Barrel, depth: float) -> float:
    """Straight lines between the maker's rows, and from nothing at the bottom to the first."""
    if not barrel.table:
        raise ValueError(f"barrel {barrel.id!r} has the shape table and no row in it")
    last_depth, last_l = 0.0, 0.0
    for row_depth, row_l in barrel.table:
        if depth <= row_depth:
            if row_depth == last_depth:
                return last_l
            return last_l + (row_l - last_l) * (depth - last_depth) / (row_depth - last_depth)
        last_depth, last_l = row_depth, row_l
    return last_l


# ---- Not level: the surface meets the bottom at a slope ---------------------------------------------------


def _tilted_m3(barrel: Barrel, along: float, slope: float) -> float:
    """``along``: depth on the axis; the surface stands at ``along + slope * x`` a distance x towards the low
    side."""
    if barrel.shape == "box":
        half = 0.5 * _measure(barrel, "length_m")
        ends = max(0.0, along + slope * half) ** 2 - max(0.0, along - slope * half) ** 2
        return _measure(barrel, "width_m") * ends / (2.0 * slope)
    radius = 0.5 * _measure(barrel, "diameter_m")
    if barrel.shape == "lying":
        half = 0.5 * _measure(barrel, "length_m")
        low, high = (_lying_sum(radius, along + side * slope * half) for side in (-1.0, 1.0))
        return (high - low) / slope
    if barrel.shape == "upright":
        if along >= slope * radius:
            return pi * radius**2 * along
        return slope * _segment_sum(radius, -along / slope)
    return _tilted_round_m3(_radius_rule(barrel), along, slope)


def _segment_m2(radius: float, from_centre: float) -> float:
    """Area of a disc on the far side of a chord, ``from_centre`` away from its centre (negative: before)."""
    c = min(radius, max(-radius, from_centre))
    return radius**2 * acos(c / radius) - c * sqrt(max(0.0, radius**2 - c**2))


def _segment_sum(radius: float, from_centre: float) -> float:
    """Integral of the segment's area from a chord to the disc's edge: r^2 (s - c acos(c/r)) - s^3/3.

    With the slope it is the volume of a hoof, a cylinder cut by a plane through its bottom.
    """
    c = min(radius, max(-radius, from_centre))
    s = sqrt(max(0.0, radius**2 - c**2))
    return radius**2 * (s - c * acos(c / radius)) - s**3 / 3.0


def _lying_sum(radius: float, depth: float) -> float:
    """Integral of a lying drum's wet section over depths from 0 to this one; beyond full it stays full."""
    depth = max(0.0, depth)
    over = max(0.0, depth - 2.0 * radius)
    return _segment_sum(radius, radius - depth) + pi * radius**2 * over


def _tilted_round_m3(rule: tuple[float, float, float], along: float, slope: float) -> float:
    """Discs that are wet all over in closed form, those that the surface cuts by Fejer's rule, whose places
    crowd at both ends, where the surface meets the wall."""

    def radius(z: float) -> float:
        return max(1e-9, rule[0] + rule[1] * z + rule[2] * z * z)

    low = high = along
    for _ in range(_ROUNDS):
        before = low, high
        low = along - slope * radius(max(0.0, low))
        high = along + slope * radius(max(0.0, high))
        if abs(low - before[0]) + abs(high - before[1]) < _FOUND_M:
            break
    low, high = max(0.0, low), max(0.0, high)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    cut = 0.0
    for place, weight in _fejer():
        z = middle + half * place
        cut += weight * _segment_m2(radius(z), (z - along) / slope)
    return _round_m3(rule, low) + half * cut


@lru_cache(maxsize=1)
def _fejer() -> tuple[tuple[float, float], ...]:
    """Places in -1 to 1 and weights of Fejer's first rule (Davis & Rabinowitz, Methods of Numerical
    Integration, 2.5.5)."""
    angles = [pi * (n + 0.5) / _DISCS for n in range(_DISCS)]
    return tuple(
        (
            cos(angle),
            (1.0 - 2.0 * sum(cos(2 * j * angle) / (4 * j * j - 1) for j in range(1, _DISCS // 2 + 1)))
            * 2.0
            / _DISCS,
        )
        for angle in angles
    )
