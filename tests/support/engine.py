"""EPANET 2.3 (owa-epanet) at one level, and a check of our own solution without the solver's code."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import STANDARD_GRAVITY_MS2
from scheduler.hydraulics.epanet import emitter_names, epanet_input
from scheduler.hydraulics.friction import friction_factor
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.solve import Flows
from scheduler.hydraulics.water import kinematic_viscosity_m2s

Array = NDArray[np.float64]


def engine_state(net: Network, level_m: float, folder: Path) -> tuple[Array, Array, int]:
    """Flow (L/h) and head above each emitter (m) as the engine finds them, and its count of trials."""
    from epanet import toolkit

    file = folder / "zone.inp"
    file.write_text(epanet_input(net, level_m, "test"))
    project = toolkit.createproject()
    toolkit.open(project, str(file), str(folder / "zone.rpt"), str(folder / "zone.out"))
    try:
        toolkit.openH(project)
        toolkit.initH(project, 0)
        with warnings.catch_warnings():  # "negative pressures": emitters above the water, which are meant
            warnings.simplefilter("ignore")
            toolkit.runH(project)
        trials = int(toolkit.getstatistic(project, toolkit.ITERATIONS))
        index = [toolkit.getnodeindex(project, name) for name in emitter_names(net)]
        flow = [toolkit.getnodevalue(project, i, toolkit.DEMAND) * 3600.0 for i in index]
        head = [toolkit.getnodevalue(project, i, toolkit.PRESSURE) for i in index]
        toolkit.closeH(project)
    finally:
        toolkit.close(project)
        toolkit.deleteproject(project)
    return np.array(flow), np.array(head), trials


def independent_errors(net: Network, flows: Flows) -> tuple[float, float]:
    """Worst head error of any pipe and emitter (m) and worst imbalance (m3/s), from the node heads alone."""
    q = flows.pipe_flow_lph / 3.6e6
    start, end, bore = net.pipe_from, net.pipe_to, net.pipe_bore_m
    velocity = np.abs(q) / (math.pi * bore**2 / 4.0)
    reynolds = velocity * bore / kinematic_viscosity_m2s(20.0)
    f = friction_factor(np.where(q != 0.0, reynolds, 1.0), net.pipe_roughness_m / bore)
    per_head = f * net.pipe_length_m / bore + net.pipe_loss_k
    lost = np.sign(q) * per_head * velocity**2 / (2.0 * STANDARD_GRAVITY_MS2)
    head = flows.node_head_m
    worst_pipe = float(np.abs(head[start] - head[end] - lost).max())
    given = flows.flow_lph / 3.6e6
    balance = np.zeros(len(net.node_elevation_m))
    np.subtract.at(balance, start, q)
    np.add.at(balance, end, q)
    np.subtract.at(balance, net.emitter_node, given)
    over = head[net.emitter_node] - net.node_elevation_m[net.emitter_node]
    worst_emitter = max(map(_emitter_error, net.k_m3s, net.exponent, net.activation_head_m, given, over))
    return max(worst_pipe, worst_emitter), float(np.abs(balance[1:]).max())


def _emitter_error(k: float, x: float, start: float, q: float, head: float) -> float:
    """How far (m) the head at an emitter is from what its flow needs; one that is dry may lack head."""
    if q <= 0.0:
        return max(0.0, head - start)
    bend = max(1e-4, start * 1.01, start + 1e-4 if start else 0.0)
    at_bend = k * bend**x
    straight = start + (bend - start) * q / at_bend
    return float(abs(head - (straight if q < at_bend else (q / k) ** (1.0 / x))))
