"""One zone as it really is: flow over level, how its line fills, and to whom it drains after closing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.priming import priming
from scheduler.rehearsal.hidden import Truth
from scheduler.site.model import Site, Zone

Array = np.ndarray[Any, np.dtype[np.float64]]

# Levels at which the true flows are tabulated; linear between them (5 mm apart on a 1 m barrel, chosen here).
FLOW_LEVELS = 241
# Levels at which filling is worked out; it changes slowly with level.
FILLING_LEVELS = 6


@dataclass(frozen=True, slots=True)
class TrueZone:
    """Flows of one zone. ``flows[i]`` belongs to level ``i * step_m``; L/h, one column per emitter."""

    zone: Zone
    emitter_ids: tuple[str, ...]
    emitter_plant: tuple[str | None, ...]
    step_m: float
    flows: Array
    clogging_loss: Array
    filling_levels_m: Array
    fill_s: Array  # at the filling levels
    missing_l: Array  # [level, emitter]
    drain_share: Array  # of what drains after closing
    line_volume_l: float
    emptied_share: float
    opening_s: float
    closing_s: float

    @property
    def emptied_l(self) -> float:
        """What the line lacks when a run begins after a rest."""
        return self.emptied_share * self.line_volume_l

    def flow_lph(self, level_m: float, progress: float) -> Array:
        """Steady flow of each emitter at a level, ``progress`` 0..1 through the season."""
        if level_m <= 0.0:
            return np.zeros(self.flows.shape[1])
        place = level_m / self.step_m
        i = min(int(place), len(self.flows) - 2)
        share = place - i
        steady = self.flows[i] * (1.0 - share) + self.flows[i + 1] * share
        flow: Array = np.maximum(steady, 0.0) * (1.0 - progress * self.clogging_loss)
        return flow

    def filling(self, level_m: float, progress: float) -> tuple[float, Array]:
        """Seconds until the line is full, and for each emitter the seconds until water reaches it."""
        fill_s = float(np.interp(level_m, self.filling_levels_m, self.fill_s))
        missing = np.array([np.interp(level_m, self.filling_levels_m, column) for column in self.missing_l.T])
        flow = self.flow_lph(level_m, progress)
        with np.errstate(divide="ignore", invalid="ignore"):
            wait = np.where(flow > 0.0, missing / flow * 3600.0, np.inf)
        return max(fill_s, 1.0), wait


def true_zone(site: Site, zone: Zone, truth: Truth, level_max_m: float) -> TrueZone:
    """Tabulate one zone with its hidden coefficients and exponents."""
    network = zone_network(
        site, zone, coefficient_factor=truth.coefficient_factor, exponent_shift=truth.exponent_shift
    )
    curve = zone_curve(network, level_max_m, level_min_m=0.0)
    levels = np.linspace(0.0, level_max_m, FLOW_LEVELS)
    flows = np.array([curve.flows_lph(float(level)) for level in levels])
    filling_levels = np.linspace(0.1 * level_max_m, level_max_m, FILLING_LEVELS)
    share = truth.emptied_share[zone.id]
    primes = [priming(network, float(level), share) for level in filling_levels]
    drained = np.asarray(primes[-1].drained_l, dtype=float)
    return TrueZone(
        zone=zone,
        emitter_ids=network.emitter_ids,
        emitter_plant=network.emitter_plant,
        step_m=float(levels[1]),
        flows=flows,
        clogging_loss=np.array([truth.clogging_loss[i] for i in network.emitter_ids]),
        filling_levels_m=filling_levels,
        fill_s=np.array([p.fill_s for p in primes]),
        missing_l=truth.hidden.priming_loss_factor * np.array([p.missing_l for p in primes]),
        drain_share=_shares(drained, np.asarray(network.elevation_m, dtype=float)),
        line_volume_l=float(network.line_volume_l),
        emptied_share=share,
        opening_s=truth.opening_s[zone.id],
        closing_s=truth.closing_s[zone.id],
    )


def _shares(drained: Array, elevation_m: Array) -> Array:
    """Shares that sum to 1; the lowest emitter takes all where nothing is known of the drain."""
    total = float(drained.sum())
    if total > 0.0:
        return drained / total
    lowest = np.zeros(len(drained))
    lowest[int(np.argmin(elevation_m))] = 1.0
    return lowest
