"""Litres in one barrel by its depth. The mensuration stands with the site, whose checks need it too."""

from __future__ import annotations

from scheduler.site.mensuration import (
    LITRES_PER_M3,
    cylinder_segment_share,
    litres_at_depth,
    lowest_depth_m,
)
from scheduler.site.model import Barrel

__all__ = ["LITRES_PER_M3", "barrel_litres", "cylinder_segment_share", "lowest_depth_m", "surface_m2"]

barrel_litres = litres_at_depth


def surface_m2(barrel: Barrel, depth_m: float) -> float:
    """Water surface of one barrel at a depth, by a small step in it; 0 where no water stands in it."""
    half_step = 0.005 * barrel.height_m
    low = max(lowest_depth_m(barrel), depth_m - half_step)
    high = min(barrel.height_m, depth_m + half_step)
    if depth_m <= lowest_depth_m(barrel) or high <= low:
        return 0.0
    return (barrel_litres(barrel, high) - barrel_litres(barrel, low)) / LITRES_PER_M3 / (high - low)
