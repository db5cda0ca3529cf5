"""How much water a soil takes at once under a dripper, and how long it then has to be left alone.

Water that comes faster than the soil takes it in stands on the ground and spreads until the rates match: over
an area of flow / intake rate. Where that is more than the basin under the plant, it runs off once the basin
holds no more on its surface. So a dose is split: on until the surface is full, off until it has soaked in.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, log, pi, sqrt

# What level ground holds on its surface before water runs, mm (from memory: trade tables of allowable surface
# accumulation go from 5 mm on clay to 10 mm on sand on slopes up to 3 %; the least of them).
SURFACE_MM = 5.0
# The most of them, on sand; and the intake rates of clay and sand between which the rest lies, even on a
# scale of ratios (ours).
SAND_SURFACE_MM = 10.0
CLAY_MM_H, SAND_MM_H = 1.0, 20.0
# The same on ground that slopes more than a few percent (from memory: about half).
SLOPING_SURFACE_MM = 2.5
# Less than this is no pulse: filling the lines would take most of it (ours).
SHORTEST_PULSE_S = 300.0


@dataclass(frozen=True, slots=True)
class Pulses:
    """A dose in equal parts: ``count`` openings of ``pulse_s`` each, ``pause_s`` between them."""

    count: int
    pulse_s: float
    pause_s: float

    @property
    def whole_s(self) -> float:
        """From the start of the first to the end of the last."""
        return self.count * self.pulse_s + (self.count - 1) * self.pause_s


def application_mm_h(flow_lph: float, wetted_m2: float) -> float:
    """How fast water comes down on the ground that it wets. ValueError for an area of nothing."""
    if not wetted_m2 > 0.0:
        raise ValueError(f"water on {wetted_m2} m2 of ground; the area must be above 0")
    return flow_lph / wetted_m2


def puddle_diameter_m(flow_lph: float, intake_mm_h: float) -> float:
    """Across the puddle under a steady dripper once the ground takes in as much as comes."""
    if not intake_mm_h > 0.0 or not flow_lph >= 0.0:
        raise ValueError(f"a flow of {flow_lph} L/h on soil that takes {intake_mm_h} mm/h cannot be")
    return sqrt(4.0 * flow_lph / (pi * intake_mm_h))


def surface_on_mm(intake_mm_h: float) -> float:
    """What level ground of that intake rate holds on its surface before water runs."""
    ratio = min(max(intake_mm_h, CLAY_MM_H), SAND_MM_H) / CLAY_MM_H
    return SURFACE_MM + (SAND_SURFACE_MM - SURFACE_MM) * log(ratio) / log(SAND_MM_H / CLAY_MM_H)


def longest_at_once_s(
    flow_lph: float, basin_m2: float, intake_mm_h: float, *, surface_mm: float = SURFACE_MM
) -> float:
    """Seconds until the basin's surface is full; infinite where the basin takes in all that comes."""
    excess_mm_h = application_mm_h(flow_lph, basin_m2) - intake_mm_h
    return 3600.0 * surface_mm / excess_mm_h if excess_mm_h > 0.0 else inf


def pause_s(intake_mm_h: float, *, surface_mm: float = SURFACE_MM) -> float:
    """Seconds in which what stands on a full surface soaks in (loam: an hour, as is customary)."""
    if not intake_mm_h > 0.0:
        raise ValueError(f"soil that takes {intake_mm_h} mm/h takes no water")
    return 3600.0 * surface_mm / intake_mm_h


def pulses(run_s: float, longest_s: float, soak_s: float) -> Pulses:
    """A run of ``run_s`` in as few equal parts as none is longer than ``longest_s``.

    No part is made shorter than ``SHORTEST_PULSE_S``: where the soil is that slow, some will run off.
    """
    if run_s <= longest_s:
        return Pulses(1, run_s, 0.0)
    count = max(1, min(ceil(run_s / longest_s - 1e-9), int(run_s // SHORTEST_PULSE_S)))
    return Pulses(count, run_s / count, soak_s if count > 1 else 0.0)
