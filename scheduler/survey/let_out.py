"""How much left the barrels through open line ends while lines were flushed: measured, or worked out.

A valve opened for a test is booked by the curve of its emitters, and an open line end gives several times as
much. Without the rest the books would later speak of water that nobody accounts for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from scheduler.hydraulics.constants import STANDARD_GRAVITY_MS2
from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Site
from scheduler.survey.tests_done import Flush

SECONDS_PER_H = 3600.0


@dataclass(frozen=True, slots=True)
class LetOut:
    """Litres. ``unknown``: lines that were neither caught nor timed, or at an unknown level."""

    measured_l: float
    worked_out_l: float
    unknown: tuple[str, ...]

    @property
    def known_l(self) -> float:
        return self.measured_l + self.worked_out_l


def let_out(site: Site, record: Flush) -> LetOut:
    """Of all lines of a flushing. What was timed but not caught is worked out for its level: the open end,
    and the emitters that run meanwhile. KeyError for an unknown zone."""
    measured = worked_out = 0.0
    unknown = []
    lines = {line.id for line in site.zone(record.zone).lines}
    for entry in record.lines:
        if entry.volume_l is not None:
            measured += entry.volume_l
        elif entry.run_s is not None and record.level_m is not None and entry.line in lines:
            flow_lph = open_end_lph(site, record.zone, entry.line, record.level_m)
            worked_out += flow_lph * entry.run_s / SECONDS_PER_H
        else:
            unknown.append(entry.line)
    return LetOut(measured, worked_out, tuple(unknown))


def open_end_lph(site: Site, zone_id: str, line_id: str, level_m: float) -> float:
    """Flow of a zone (L/h) while the end of one of its lines stands open, its emitters running too. KeyError
    for an unknown zone or line."""
    network = zone_network(site, site.zone(zone_id))
    places = [(at_m, node) for line, at_m, node in network.places if line == line_id]
    if not places:
        raise KeyError(line_id)
    line = next(line for line in site.zone(zone_id).lines if line.id == line_id)
    return solve(_with_open_end(network, max(places)[1], line.bore_m), level_m).total_lph


def _with_open_end(network: Network, node: int, bore_m: float) -> Network:
    """An open end of a pipe gives ``A sqrt(2 g h)`` of the head in it (Torricelli; no contraction at a pipe's
    own end)."""
    k = math.pi / 4.0 * bore_m**2 * math.sqrt(2.0 * STANDARD_GRAVITY_MS2)
    return replace(
        network,
        emitter_ids=(*network.emitter_ids, "open end"),
        emitter_plant=(*network.emitter_plant, None),
        k_m3s=np.append(network.k_m3s, k),
        exponent=np.append(network.exponent, 0.5),
        activation_head_m=np.append(network.activation_head_m, 0.0),
        emitter_node=np.append(network.emitter_node, node),
        cache={},
    )
