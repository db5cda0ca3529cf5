"""How a network hangs together: a spanning tree, the chords that close its rings, and a narrow band order.

Every flow in the pipes is a sum of emitter flows and chord flows, ``Q = S v`` with v = (emitters, chords); so
continuity holds exactly whatever v is, and the transpose of S sums head losses along the paths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.chains import Chains, find_chains
from scheduler.hydraulics.network import Network

Array = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Topology:
    """Pipes (P), nodes without the source (N), emitters (E), chords (C)."""

    paths: Array  # (N + 1, P): +1 or -1 for each tree pipe on the way from the source to the node
    flows: Array  # S: (P, E + C)
    chords: IntArray  # (C,) pipe numbers
    position: IntArray  # (N + 1,): place of each node in the band order; -1 for the source
    bandwidth: int
    band_entries: tuple[tuple[IntArray, IntArray], ...]  # pipes, and their places in the flat lower band
    at_ends: Array  # (P, N): 1 at both ends of each pipe
    at_node: Array  # (E, N): 1 where each emitter sits
    emitter_place: IntArray  # (E,)
    pipe_ends: Array  # (P, N): +1 where the pipe ends, -1 where it starts
    chains: Chains | None  # None: the band solver is used


def topology(network: Network) -> Topology:
    """The topology of a network, kept with it once made. ValueError when a node is out of reach."""
    made = network.cache.get("topology")
    if not isinstance(made, Topology):
        made = network.cache["topology"] = _topology(network)
    return made


def _topology(network: Network) -> Topology:
    n_nodes, n_pipes = len(network.node_elevation_m), len(network.pipe_from)
    start, end = network.pipe_from.tolist(), network.pipe_to.tolist()
    beside: list[list[tuple[int, int, float]]] = [[] for _ in range(n_nodes)]
    for p, (i, j) in enumerate(zip(start, end, strict=True)):
        beside[i].append((j, p, 1.0))
        beside[j].append((i, p, -1.0))
    paths, tree = _spanning_tree(beside, n_pipes)
    chords = np.array([p for p in range(n_pipes) if p not in tree], dtype=np.intp)
    flows = np.concatenate(
        [
            paths[network.emitter_node].T,
            (paths[network.pipe_from[chords]] - paths[network.pipe_to[chords]]).T,
        ],
        axis=1,
    )
    n_emitters = len(network.emitter_node)
    flows[chords, n_emitters + np.arange(len(chords))] += 1.0
    rows = find_chains(beside, n_pipes)
    order = rows.order if rows is not None else narrow_order([[j for j, _, _ in row] for row in beside])
    position = np.full(n_nodes, -1, dtype=np.intp)
    position[order] = np.arange(n_nodes - 1)
    bandwidth, entries = _band_entries(position[network.pipe_from], position[network.pipe_to])
    ends = np.zeros((n_pipes, n_nodes - 1))
    for side, sign in ((network.pipe_from, -1.0), (network.pipe_to, 1.0)):
        pipes = np.nonzero(side > 0)[0]
        ends[pipes, position[side[pipes]]] += sign
    at_node = np.zeros((n_emitters, n_nodes - 1))
    at_node[np.arange(n_emitters), position[network.emitter_node]] = 1.0
    return Topology(
        paths=paths,
        flows=np.ascontiguousarray(flows),
        chords=chords,
        position=position,
        bandwidth=bandwidth,
        band_entries=entries,
        at_ends=np.abs(ends),
        at_node=at_node,
        emitter_place=position[network.emitter_node],
        pipe_ends=ends,
        chains=rows,
    )


def _band_entries(start: IntArray, end: IntArray) -> tuple[int, tuple[tuple[IntArray, IntArray], ...]]:
    """Bandwidth, and where each pipe between two inner nodes goes in a flat (N, bandwidth + 1) lower band.

    Pipes side by side between the same nodes fall into different groups, so that each group can be
    subtracted at once.
    """
    pipes = np.nonzero((start >= 0) & (end >= 0))[0]
    reach = np.abs(start[pipes] - end[pipes])
    bandwidth = int(reach.max(initial=0))
    entry = np.minimum(start[pipes], end[pipes]) * (bandwidth + 1) + reach
    groups = []
    while len(pipes):
        _, first = np.unique(entry, return_index=True)
        groups.append((pipes[first], entry[first]))
        pipes, entry = np.delete(pipes, first), np.delete(entry, first)
    return bandwidth, tuple(groups)


def _spanning_tree(beside: list[list[tuple[int, int, float]]], n_pipes: int) -> tuple[Array, set[int]]:
    """Paths from the source to every node along a breadth-first tree, and the pipes of that tree."""
    paths = np.zeros((len(beside), n_pipes))
    tree: set[int] = set()
    seen, queue = {0}, [0]
    for node in queue:
        for other, pipe, sign in beside[node]:
            if other not in seen:
                seen.add(other)
                tree.add(pipe)
                paths[other] = paths[node]
                paths[other, pipe] = sign
                queue.append(other)
    if len(seen) < len(beside):
        raise ValueError(
            f"{len(beside) - len(seen)} places of the network have no pipe from the barrel outlet"
        )
    return paths, tree


def narrow_order(beside: list[list[int]]) -> list[int]:
    """Reverse Cuthill-McKee order of the nodes other than 0 (Cuthill & McKee 1969; George 1971).

    Each part that is left when the source is taken away starts from its far end.
    """
    neighbours = [sorted({j for j in row if j != 0}, key=lambda j: len(beside[j])) for row in beside]
    order: list[int] = []
    placed = {0}
    for node in range(1, len(beside)):
        if node not in placed:
            far = _layers(_layers(node, neighbours)[-1], neighbours)[-1]
            part = _layers(far, neighbours)
            order.extend(part)
            placed.update(part)
    return order[::-1]


def _layers(start: int, neighbours: list[list[int]]) -> list[int]:
    """Nodes in breadth-first order from ``start``."""
    seen, queue = {start}, [start]
    for node in queue:
        for other in neighbours[node]:
            if other not in seen:
                seen.add(other)
                queue.append(other)
    return queue
