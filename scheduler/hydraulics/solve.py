"""Flows of a network at one level or at many; ``newton`` has the method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI, Constants
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.newton import Hydraulics

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LPH_PER_M3S = 3.6e6


@dataclass(frozen=True, slots=True)
class Flows:
    """The steady state at one level. ``head_m`` stands above each emitter (negative: the emitter is above the
    water). ``residual_m`` is the worst head error of any law or ring, ``mass_residual_lph`` that
    of any joint."""

    level_m: float
    head_m: Array
    flow_lph: Array
    total_lph: float
    node_head_m: Array
    pipe_flow_lph: Array
    converged: bool
    residual_m: float
    mass_residual_lph: float


@dataclass(frozen=True, slots=True)
class FlowTable:
    """Steady states at many levels: levels (n,), the rest (n, emitters), ``converged`` and residual (n,)."""

    levels_m: Array
    head_m: Array
    flow_lph: Array
    converged: Flags
    residual_m: Array


def solve(
    network: Network, level_m: float, *, temperature_c: float = 20.0, constants: Constants = SI
) -> Flows:
    """Flows of the zone open alone with the water ``level_m`` above the outlet; nothing flows at
    or below it."""
    hydraulics = Hydraulics.of(network, temperature_c, constants)
    if level_m < 0.0:
        return _still(network, level_m)
    levels = np.array([level_m])
    state = hydraulics.settle_cold(levels)
    pipe_flow = state.pipe_flow[0]
    given = state.flows[0, : hydraulics.n_emitters]
    balance = pipe_flow @ hydraulics.top.pipe_ends
    np.subtract.at(balance, hydraulics.top.position[network.emitter_node], given)
    node_head = hydraulics.node_heads(levels, pipe_flow)
    return Flows(
        level_m=level_m,
        head_m=node_head[network.emitter_node] - network.elevation_m,
        flow_lph=given * LPH_PER_M3S,
        total_lph=float(given.sum() * LPH_PER_M3S),
        node_head_m=node_head,
        pipe_flow_lph=pipe_flow * LPH_PER_M3S,
        converged=bool(state.converged[0]),
        residual_m=float(state.residual_m[0]),
        mass_residual_lph=float(np.abs(balance).max(initial=0.0) * LPH_PER_M3S),
    )


def _still(network: Network, level_m: float) -> Flows:
    """The water stands below the outlet: nothing flows."""
    return Flows(
        level_m=level_m,
        head_m=level_m - network.elevation_m,
        flow_lph=np.zeros(len(network.emitter_ids)),
        total_lph=0.0,
        node_head_m=np.full(len(network.node_elevation_m), level_m),
        pipe_flow_lph=np.zeros(len(network.pipe_from)),
        converged=True,
        residual_m=0.0,
        mass_residual_lph=0.0,
    )


def solve_levels(
    network: Network, levels_m: Array, *, temperature_c: float = 20.0, constants: Constants = SI
) -> FlowTable:
    """Flows at many levels (n,), all solved at once."""
    hydraulics = Hydraulics.of(network, temperature_c, constants)
    given = np.asarray(levels_m, dtype=np.float64)
    levels = np.maximum(given, 0.0)
    state = hydraulics.settle_cold(levels)
    flow = state.flows[:, : hydraulics.n_emitters]
    head = state.head_m
    below = given < 0.0
    if below.any():
        flow[below] = 0.0
        head[below] = given[below, None] - hydraulics.elevation_m
    return FlowTable(given, head, flow * LPH_PER_M3S, state.converged, state.residual_m)
