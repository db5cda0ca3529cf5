"""The highest place that water must pass on its way to each emitter.

Lines that emit stand open to the air, so no siphon holds in them: water passes a high place only while the
level in the barrels stands above it. The solver itself (as EPANET's) lets a full line carry water over any
height; so who asks what a zone really gives must stay above its sills.
"""

from __future__ import annotations

import heapq
import math

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network

Array = NDArray[np.float64]


def sills_m(network: Network) -> Array:
    """Level above the outlet above which water reaches each emitter at all, (emitters,).

    The lowest, over all ways from the outlet, of the highest node on the way, the emitter's own place
    included; 0 or more, and infinite where no way leads.
    """
    height = network.node_elevation_m
    links: list[list[int]] = [[] for _ in height]
    for a, b in zip(network.pipe_from.tolist(), network.pipe_to.tolist(), strict=True):
        links[a].append(b)
        links[b].append(a)
    sill = [math.inf] * len(links)
    sill[0] = 0.0
    queue = [(0.0, 0)]
    while queue:
        over, at = heapq.heappop(queue)
        if over > sill[at]:
            continue
        for other in links[at]:
            through = max(over, float(height[other]))
            if through < sill[other]:
                sill[other] = through
                heapq.heappush(queue, (through, other))
    return np.array(sill)[network.emitter_node]
