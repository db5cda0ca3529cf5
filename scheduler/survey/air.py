"""Places where a line stands above the hydraulic grade line: air gathers there, and above the water none
passes."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.hydraulics.network import Network
from scheduler.hydraulics.solve import Flows

# A place this little above the grade line is not named: a line cannot be laid or measured more closely.
LEAST_RISE_M = 0.005


@dataclass(frozen=True, slots=True)
class AirPlace:
    """A high place of a line. ``over_grade_m``: above the hydraulic grade line there; ``over_water_m``:
    above the water in the barrels (0 or less: it fills at rest). ``cut_off``: plants that water reaches only
    over it."""

    line: str
    at_m: float
    over_grade_m: float
    over_water_m: float
    cut_off: tuple[str, ...]

    @property
    def blocks(self) -> bool:
        """No water passes: the flows worked out beyond it hold only if the line is laid lower."""
        return self.over_water_m >= 0.0 and bool(self.cut_off)


def air_places(network: Network, flows: Flows) -> tuple[AirPlace, ...]:
    """Every surveyed place that stands above the grade line and has emitters beyond it, worst of each line
    only."""
    worst: dict[str, AirPlace] = {}
    for line, at_m, node in network.places:
        height = float(network.node_elevation_m[node])
        over = height - float(flows.node_head_m[node])
        if over <= LEAST_RISE_M or (line in worst and worst[line].over_grade_m >= over):
            continue
        beyond = plants_beyond(network, node)
        if beyond:
            worst[line] = AirPlace(line, at_m, over, height - flows.level_m, beyond)
    return tuple(worst.values())


def plants_beyond(network: Network, node: int) -> tuple[str, ...]:
    """Plants that have an emitter which water reaches only through a node (not those at the node itself)."""
    links: list[list[int]] = [[] for _ in network.node_elevation_m]
    for a, b in zip(network.pipe_from.tolist(), network.pipe_to.tolist(), strict=True):
        links[a].append(b)
        links[b].append(a)
    seen, queue = {0, node}, [0]
    for at in queue:
        for other in links[at]:
            if other not in seen:
                seen.add(other)
                queue.append(other)
    beyond = [
        plant
        for plant, at in zip(network.emitter_plant, network.emitter_node.tolist(), strict=True)
        if plant is not None and at not in seen
    ]
    return tuple(dict.fromkeys(beyond))
