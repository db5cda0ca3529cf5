"""Trim a garden as a fitter does after planting: open and close the bubblers until the plants' shares agree.

A zone has one run time, so each plant's flow should stand in proportion to what it wants. Bubblers are set by
hand; in-line emitters are as they come, and the bubblers of the zone are set to agree with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np

from scheduler.agronomy.need import daily_need_l
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Emitter, Line, Point, Site, Zone

# One bubbler's setting changes the head of all: this many rounds settle it to well under 1 % (measured here).
ROUNDS = 8


def trimmed(site: Site, level_m: float, et0_mm: float, day: date) -> Site:
    """The site with its bubblers set for that level (above the outlet) and that day's wants."""
    wants = {p.id: daily_need_l(p, et0_mm, day) for p in site.plants}
    return replace(site, zones=tuple(_trimmed_zone(site, z, level_m, wants) for z in site.zones))


def share_spread(site: Site, zone: Zone, level_m: float, wants: Mapping[str, float]) -> float:
    """Largest over smallest flow per litre wanted among the zone's plants; 1 is a perfect trim."""
    flows = _plant_flows(site, zone, level_m)
    shares = [flow / wants[p] for p, flow in flows.items() if wants.get(p, 0.0) > 0.0]
    return max(shares) / min(shares) if shares else 1.0


def _trimmed_zone(site: Site, zone: Zone, level_m: float, wants: Mapping[str, float]) -> Zone:
    fixed = {e.plant for e in zone.emitters if e.form == "inline" and e.plant is not None}
    for _ in range(ROUNDS):
        flows = {p: f for p, f in _plant_flows(site, zone, level_m).items() if wants.get(p, 0.0) > 0.0}
        basis = {p: f for p, f in flows.items() if p in fixed} or flows
        per_litre = sum(basis.values()) / sum(wants[p] for p in basis)
        if not per_litre > 0.0:
            return zone
        factors = {p: wants[p] * per_litre / f for p, f in flows.items() if p not in fixed and f > 0.0}
        zone = replace(zone, lines=tuple(_set_line(line, factors) for line in zone.lines))
    return zone


def _plant_flows(site: Site, zone: Zone, level_m: float) -> dict[str, float]:
    network = zone_network(site, zone)
    flow_lph = np.asarray(solve(network, level_m).flow_lph, dtype=float)
    found: dict[str, float] = {}
    for plant, flow in zip(network.emitter_plant, flow_lph.tolist(), strict=True):
        if plant is not None:
            found[plant] = found.get(plant, 0.0) + flow
    return found


def _set_line(line: Line, factors: Mapping[str, float]) -> Line:
    return replace(line, points=tuple(_set_point(point, factors) for point in line.points))


def _set_point(point: Point, factors: Mapping[str, float]) -> Point:
    return replace(point, emitters=tuple(_set_emitter(e, factors) for e in point.emitters))


def _set_emitter(emitter: Emitter, factors: Mapping[str, float]) -> Emitter:
    factor = factors.get(emitter.plant, 1.0) if emitter.plant is not None else 1.0
    if emitter.form != "bubbler" or factor == 1.0:
        return emitter
    return replace(emitter, coefficient_lph=emitter.coefficient_lph * factor)
