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
    viscosity = kinematic_viscosity_m2s(20.0)
    balance = np.zeros(len(net.node_elevation_m))
    worst = 0.0
    for p in range(len(net.pipe_from)):
        i, j, bore = net.pipe_from[p], net.pipe_to[p], net.pipe_bore_m[p]
        q = flows.pipe_flow_lph[p] / 3.6e6
        velocity = abs(q) / (math.pi * bore**2 / 4.0)
        reynolds = velocity * bore / viscosity
        lost = 0.0
        if reynolds > 0.0:
            f = float(friction_factor(reynolds, net.pipe_roughness_m[p] / bore))
            per_head = f * net.pipe_length_m[p] / bore + net.pipe_loss_k[p]
            lost = math.copysign(per_head * velocity**2 / (2.0 * STANDARD_GRAVITY_MS2), q)
        worst = max(worst, abs(flows.node_head_m[i] - flows.node_head_m[j] - lost))
        balance[i] -= q
        balance[j] += q
    for e, node in enumerate(net.emitter_node):
        q = flows.flow_lph[e] / 3.6e6
        balance[node] -= q
        head = flows.node_head_m[node] - net.node_elevation_m[node]
        start = net.activation_head_m[e]
        if q <= 0.0:
            worst = max(worst, head - start)
            continue
        bend = max(1e-4, start * 1.01, start + 1e-4 if start else 0.0)
        at_bend = net.k_m3s[e] * bend ** net.exponent[e]
        straight = start + (bend - start) * q / at_bend
        need = straight if q < at_bend else (q / net.k_m3s[e]) ** (1.0 / net.exponent[e])
        worst = max(worst, abs(head - need))
    return worst, float(np.abs(balance[1:]).max())
