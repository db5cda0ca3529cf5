"""Where the head goes on its way to an emitter: outlet and hose, filter, valve, main, lateral, and what is
left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI, kv_to_k
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.solve import LPH_PER_M3S, Flows
from scheduler.site.model import Site, Zone

Array = NDArray[np.float64]
Part = Literal["hose", "filter", "valve", "main", "lateral", "emitter"]
PARTS: tuple[Part, ...] = ("hose", "filter", "valve", "main", "lateral", "emitter")


@dataclass(frozen=True, slots=True)
class HeadBudget:
    """The head above one emitter at one level, all in metres.

    ``level_m - height_m`` is the static head; the parts add up to it exactly. ``height_m`` is how far the
    emitter stands above the outlet, negative below it. A *main* is a line without emitters of its own, any
    other line a *lateral*; ``emitter`` is the head that is left at the emitter (negative above the water).
    """

    emitter: str
    level_m: float
    height_m: float
    static_m: float
    parts_m: dict[Part, float]

    def share(self, part: Part) -> float | None:
        """Share of the static head; None when the emitter stands above the water."""
        return self.parts_m[part] / self.static_m if self.static_m > 0.0 else None


def head_budgets(site: Site, zone: Zone, network: Network, flows: Flows) -> tuple[HeadBudget, ...]:
    """One budget for each emitter, in the zone's order, from a solved state of ``zone_network(site,
    zone)``."""
    hose, filter_m, valve_m = _feed_losses(site, zone, flows)
    laterals = {line.id for line in zone.lines if any(p.emitters for p in line.points)}
    main, lateral = _line_losses(network, flows, laterals)
    found = []
    for i, ident in enumerate(network.emitter_ids):
        node = int(network.emitter_node[i])
        height = float(network.node_elevation_m[node])
        head = float(flows.head_m[i])
        parts: dict[Part, float] = {
            "hose": hose,
            "filter": filter_m,
            "valve": valve_m,
            "main": float(main[node]),
            "lateral": float(lateral[node]),
            "emitter": head,
        }
        found.append(HeadBudget(ident, flows.level_m, height, flows.level_m - height, parts))
    return tuple(found)


def _feed_losses(site: Site, zone: Zone, flows: Flows) -> tuple[float, float, float]:
    """Outlet and hose, filter, valve (m): the last two by their Kv, the first is what remains of the step."""
    whole = float(flows.node_head_m[0] - flows.node_head_m[1])
    speed = float(flows.pipe_flow_lph[0]) / LPH_PER_M3S / (math.pi * site.feed.bore_m**2 / 4.0)
    velocity_head = speed**2 / (2.0 * SI.gravity_ms2)
    valve_m = kv_to_k(zone.valve.kv_m3ph, site.feed.bore_m) * velocity_head
    kv = site.feed.filter_kv_m3ph
    filter_m = kv_to_k(kv, site.feed.bore_m) * velocity_head if kv is not None else 0.0
    return whole - filter_m - valve_m, filter_m, valve_m


def _line_losses(network: Network, flows: Flows, laterals: set[str]) -> tuple[Array, Array]:
    """Head lost in mains and in laterals from the valve to each node (m), along one way there.

    In a ring every way loses the same in sum; this one goes by the fewest pieces.
    """
    count = len(network.node_elevation_m)
    main, lateral = np.zeros(count), np.zeros(count)
    touching: list[list[int]] = [[] for _ in range(count)]
    for pipe, (a, b) in enumerate(zip(network.pipe_from.tolist(), network.pipe_to.tolist(), strict=True)):
        touching[a].append(pipe)
        touching[b].append(pipe)
    seen, queue = {0}, [0]
    for node in queue:
        for pipe in touching[node]:
            other = int(network.pipe_to[pipe] + network.pipe_from[pipe]) - node
            if other in seen:
                continue
            seen.add(other)
            queue.append(other)
            loss = float(flows.node_head_m[node] - flows.node_head_m[other])
            line = network.pipe_line[pipe]
            main[other] = main[node] + (loss if line is not None and line not in laterals else 0.0)
            lateral[other] = lateral[node] + (loss if line in laterals else 0.0)
    return main, lateral
