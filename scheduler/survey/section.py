"""The long section of a zone as plain values: heights along the way of the water, and who is reached.

Everything lies on two axes: metres of pipe from the outlet (the shorter way, where a ring is fed from both
sides) and metres above the datum. Pictures and pages draw it; nothing here knows how.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from math import pi

import numpy as np

from scheduler.hydraulics.network import Network
from scheduler.hydraulics.sills import sills_m
from scheduler.hydraulics.solve import Flows, solve
from scheduler.planning.garden import GardenModel
from scheduler.site.mensuration import lowest_depth_m
from scheduler.site.model import Barrel, Site, Zone
from scheduler.survey.levels import LEVEL_SHARES, LevelSurvey, zone_levels

# An emitter below this gives drops, not water (as in the survey), L/h.
REACHED_LPH = 0.01
# Corners of the outline of a round barrel.
_ROUND_CORNERS = 48

Places = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class SectionBarrel:
    """A barrel seen from the side. ``outline``: (metres from its middle, height), a closed polygon up to the
    overflow."""

    id: str
    outline: Places
    base_m: float
    brim_m: float
    width_m: float


@dataclass(frozen=True, slots=True)
class SectionLine:
    """One pipe as it lies: (metres from the outlet, height), in the order of walking."""

    id: str
    places: Places


@dataclass(frozen=True, slots=True)
class GradeLine:
    """The hydraulic grade line at one level: where water would stand in a clear hose held up at each place.

    ``lines``: by line id, at the places of that line. ``level_m`` above the outlet.
    """

    name: str  # "full", "half", "low", or as it was asked for
    level_m: float
    water_m: float  # height of the water at rest above the datum
    lines: dict[str, Places]
    total_lph: float


@dataclass(frozen=True, slots=True)
class SectionEmitter:
    """``flows_lph``, ``heads_m``: at each grade line's level. ``stops_m``: lowest level above the outlet at
    which it still flows; 0 to the outlet, None: it gets nothing even from full barrels."""

    id: str
    plant: str | None
    along_m: float
    height_m: float
    flows_lph: tuple[float, ...]
    stops_m: float | None
    heads_m: tuple[float, ...] = ()

    def reached(self) -> tuple[bool, ...]:
        """Whether it gets water at each grade line's level."""
        return tuple(flow >= REACHED_LPH for flow in self.flows_lph)


@dataclass(frozen=True, slots=True)
class SectionPlant:
    """A plant at the middle one of its emitters. ``stops_m``: where its last one falls dry."""

    id: str
    name: str
    along_m: float
    height_m: float
    flows_lph: tuple[float, ...]
    stops_m: float | None


@dataclass(frozen=True, slots=True)
class LongSection:
    """One zone. ``grades`` from the highest level to the lowest; heights in m above the datum."""

    zone: str
    name: str
    outlet_m: float
    brim_m: float
    feed_m: float  # metres of pipe from the outlet to the valve
    length_m: float  # to the furthest place
    barrels: tuple[SectionBarrel, ...]
    lines: tuple[SectionLine, ...]
    grades: tuple[GradeLine, ...]
    emitters: tuple[SectionEmitter, ...]
    plants: tuple[SectionPlant, ...]


def section_levels(model: GardenModel) -> tuple[tuple[str, float], ...]:
    """Full, half and low, as the survey and all that compares gardens have them."""
    return tuple((name, share * model.stage.brim_level_m) for name, share in LEVEL_SHARES)


def long_section(
    model: GardenModel,
    zone_id: str,
    *,
    levels: LevelSurvey | None = None,
    at: tuple[tuple[str, float], ...] | None = None,
) -> LongSection:
    """The section of one zone, open alone; ``levels`` at hand saves working them out again.

    ``at``: names and levels above the outlet, highest first, in place of full, half and low; may be empty.
    Grade lines are those of the level in the outlet's barrel. KeyError for an unknown zone.
    """
    site, made = model.site, model.zones[zone_id]
    levels = levels or zone_levels(model, zone_id)
    network = made.network
    way = _ways_m(network)
    outlet_m = site.tank.outlet_height_m
    solved = [(name, solve(network, level)) for name, level in (section_levels(model) if at is None else at)]
    emitters = _emitters(network, way, outlet_m, [flows for _, flows in solved], levels)
    feed = network.feed_pipes
    return LongSection(
        zone=zone_id,
        name=made.zone.name,
        outlet_m=outlet_m,
        brim_m=outlet_m + model.stage.brim_level_m,
        feed_m=float(network.pipe_length_m[:feed].sum()),
        length_m=max(way),
        barrels=tuple(_barrel(b) for b in site.tank.barrels),
        lines=_lines(made.zone, network, way, outlet_m),
        grades=tuple(_grade(name, flows, network, way, outlet_m) for name, flows in solved),
        emitters=emitters,
        plants=_plants(site, emitters, levels),
    )


# ---- Along the water --------------------------------------------------------------------------------------


def _ways_m(network: Network) -> list[float]:
    """Metres of pipe from the outlet (node 0) to each node by the shortest way (Dijkstra 1959)."""
    links: list[list[tuple[int, float]]] = [[] for _ in network.node_elevation_m]
    ends = zip(
        network.pipe_from.tolist(), network.pipe_to.tolist(), network.pipe_length_m.tolist(), strict=True
    )
    for a, b, length in ends:
        links[a].append((b, length))
        links[b].append((a, length))
    way = [float("inf")] * len(links)
    way[0] = 0.0
    queue = [(0.0, 0)]
    while queue:
        here, node = heapq.heappop(queue)
        if here > way[node]:
            continue
        for other, length in links[node]:
            if here + length < way[other]:
                way[other] = here + length
                heapq.heappush(queue, (way[other], other))
    return [w if np.isfinite(w) else 0.0 for w in way]


def _along(network: Network, way: list[float], height_m: np.ndarray) -> dict[str, Places]:
    """Each line's places. Where a ring is furthest from the outlet between two nodes, a place is put in."""
    out: dict[str, list[tuple[float, float]]] = {}
    last: dict[str, tuple[float, int]] = {}
    for line, at_m, node in sorted(network.places, key=lambda p: (p[0], p[1])):
        places = out.setdefault(line, [])
        here, height = way[node], float(height_m[node])
        if line in last:
            before_m, before = last[line]
            length, step = at_m - before_m, abs(here - way[before])
            if length - step > 1e-6:
                part = 0.5 * (length + here - way[before]) / length
                top = float(height_m[before])
                places.append((way[before] + part * length, top + part * (height - top)))
        places.append((here, height))
        last[line] = (at_m, node)
    order = dict.fromkeys(line for line, _, _ in network.places)
    return {line: tuple(out[line]) for line in order}


def _lines(zone: Zone, network: Network, way: list[float], outlet_m: float) -> tuple[SectionLine, ...]:
    """The lines as surveyed. The valve's own height is not, so a line begins as high as its first point."""
    heights = outlet_m + network.node_elevation_m
    out = []
    for line in zone.lines:
        at_start = next((node for name, at, node in network.places if name == line.id and at == 0.0), None)
        own = heights.copy()
        if at_start is not None and line.start is None and line.points:
            own[at_start] = outlet_m - line.points[0].drop_m
        out.append(SectionLine(line.id, _along(network, way, own)[line.id]))
    return tuple(out)


def _grade(name: str, flows: Flows, network: Network, way: list[float], outlet_m: float) -> GradeLine:
    heights = outlet_m + flows.node_head_m
    lines = _along(network, way, heights)
    feed = tuple((way[node], float(heights[node])) for node in range(network.feed_pipes + 1))
    return GradeLine(name, flows.level_m, outlet_m + flows.level_m, {"": feed, **lines}, flows.total_lph)


def _emitters(
    network: Network, way: list[float], outlet_m: float, solved: list[Flows], levels: LevelSurvey
) -> tuple[SectionEmitter, ...]:
    stops = dict(zip(levels.emitter_ids, levels.emitter_stops_m.tolist(), strict=True))
    sills = sills_m(network).tolist()  # over a high place none passes below it
    return tuple(
        SectionEmitter(
            id=ident,
            plant=plant,
            along_m=way[node],
            height_m=outlet_m + float(network.node_elevation_m[node]),
            flows_lph=tuple(float(f.flow_lph[i]) if f.level_m > sills[i] else 0.0 for f in solved),
            stops_m=_or_none(stops[ident]),
            heads_m=tuple(float(flows.head_m[i]) for flows in solved),
        )
        for i, (ident, plant, node) in enumerate(
            zip(network.emitter_ids, network.emitter_plant, network.emitter_node.tolist(), strict=True)
        )
    )


def _plants(
    site: Site, emitters: tuple[SectionEmitter, ...], levels: LevelSurvey
) -> tuple[SectionPlant, ...]:
    out = []
    for plant, stops_m in zip(levels.plants, levels.plant_stops_m.tolist(), strict=True):
        own = [e for e in emitters if e.plant == plant]
        middle = sorted(own, key=lambda e: e.along_m)[(len(own) - 1) // 2]
        flows = np.array([e.flows_lph for e in own]).reshape(len(own), -1).sum(axis=0)
        out.append(
            SectionPlant(
                id=plant,
                name=site.plant(plant).name,
                along_m=middle.along_m,
                height_m=middle.height_m,
                flows_lph=tuple(float(f) for f in flows),
                stops_m=_or_none(stops_m),
            )
        )
    return tuple(sorted(out, key=lambda p: p.along_m))


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None


# ---- Barrels ----------------------------------------------------------------------------------------------


def _barrel(barrel: Barrel) -> SectionBarrel:
    """Its outline up to the overflow; the bottom of one that is not level slopes."""
    right = _half_widths(barrel)
    width = 2.0 * max(half for half, _ in right)
    corners = right + [(-half, depth) for half, depth in reversed(right)]
    lean = barrel.tilt_m / width if width > 0.0 else 0.0
    outline = tuple(
        (x, barrel.base_height_m + depth - (lean * x if depth < barrel.height_m else 0.0))
        for x, depth in corners
    )
    return SectionBarrel(
        id=barrel.id,
        outline=outline,
        base_m=barrel.base_height_m + lowest_depth_m(barrel),
        brim_m=barrel.base_height_m + barrel.height_m,
        width_m=width,
    )


def _half_widths(barrel: Barrel) -> list[tuple[float, float]]:
    """Half the width at depths from the bottom to the overflow."""
    height = barrel.height_m
    bottom = 0.5 * (barrel.diameter_m or 0.0)
    if barrel.shape == "lying":
        depths = [
            0.5 * height * (1.0 - float(np.cos(a))) for a in np.linspace(0.0, pi, _ROUND_CORNERS // 2 + 1)
        ]
        return [(float(np.sqrt(max(0.0, bottom**2 - (d - bottom) ** 2))), d) for d in depths]
    if barrel.shape == "taper":
        top = 0.5 * (barrel.top_diameter_m or 0.0)
        bulge = 0.0
        if barrel.middle_diameter_m is not None:
            bulge = 0.5 * barrel.middle_diameter_m - 0.5 * (bottom + top)
        shares = np.linspace(0.0, 1.0, 13)
        # The parabola through three diameters is the straight wall and 4 s (1 - s) of its bulge.
        return [
            (float(bottom + (top - bottom) * s + bulge * 4.0 * s * (1.0 - s)), height * s) for s in shares
        ]
    half = bottom
    if barrel.shape == "box":
        half = 0.5 * (barrel.length_m or 0.0)
    if barrel.shape == "table":
        half = 0.5 * _mean_width_m(barrel)
    return [(half, 0.0), (half, height)]


def _mean_width_m(barrel: Barrel) -> float:
    """Width of the round drum of the same litres: a maker's table tells no other."""
    depth, litres = barrel.table[-1]
    return float(np.sqrt(4.0 * litres / 1000.0 / depth / pi))
