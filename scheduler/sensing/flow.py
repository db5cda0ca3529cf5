"""How much of the modelled flow each zone really gives, learned from the level's fall.

A Kalman filter on x = ln(factor) of every zone with a local linear trend (level and slope): clogging takes
flow slowly and steadily, and a filter on the level alone would lag behind it by half its memory. The zones
share water and filter, so their slopes go largely together: what one run tells of its own zone's slope it
tells of the others' too, and a zone that runs three times a season learns from those that run daily.
(Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989, ch. 2: local linear trend,
ch. 8: several series with related disturbances.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from scheduler.sensing.rest import RestLevel, drop_measured, rest_level
from scheduler.site.model import Zone

Array = NDArray[np.float64]

__all__ = [
    "FlowFactor",
    "RestLevel",
    "ZoneFlows",
    "commissioned_flow",
    "drop_measured",
    "fresh_flow",
    "joined",
    "learn_flow",
    "rest_level",
]

# One sd of ln(factor) before anything is learned. What all emitters of a zone have in common when each was
# measured at its own heads: the level's zero, the can, the water's warmth (our choice).
MEASURED_SD = 0.01
# A zone with an emitter that was never measured: catalogue curves miss by tens of per cent at low head, and
# misses of one kind do not average away (the trade measures for that reason; the figure is ours).
CATALOGUE_SD = 0.10
# Unfiltered roof water clogs: 15 % in a 75-day season is 0.22 % a day, a clean one loses next to nothing. The
# slope of ln(factor) per day expected before anything is learned (two thirds of that: our choice); its sd.
FRESH_SLOPE = -0.0015
FRESH_SLOPE_SD = 0.0015
# Random walk of level and slope, per square root of a day: grit that comes and goes; slow change of pace.
LEVEL_WALK_SD = 0.0015
SLOPE_WALK_SD = 0.00015
# Correlation of the zones' slopes and of their walks: one water and one filter; a third of it their own
# (our choice).
SHARED_SLOPE = 0.95
# Share of a run's litres that the hydraulic model cannot place (priming, temperature), one sd.
MODEL_SD = 0.01
# A drop further off than this many sd loses weight: a can drawn in the run teaches little.
GATE_SIGMAS = 3.0
# Outside these a zone is no longer the garden that was modelled; the caller raises an alert.
FACTOR_MIN = 0.05
FACTOR_MAX = 3.0


@dataclass(frozen=True, slots=True)
class FlowFactor:
    """Factor on the modelled flow of one zone, its standard deviation, and the trend behind it.

    ``slope_per_day`` is of ln(factor); ``covariance`` is between ln(factor) and its slope.
    """

    value: float
    sd: float
    updated: datetime | None = None
    slope_per_day: float = FRESH_SLOPE
    slope_var: float = FRESH_SLOPE_SD**2
    covariance: float = 0.0

    def at(self, when: datetime) -> FlowFactor:
        """As foreseen for a later instant: the slope carried on, the doubt grown."""
        if self.updated is None or when <= self.updated:
            return self
        days = (when - self.updated).total_seconds() / 86400.0
        x = math.log(self.value) + self.slope_per_day * days
        var = (self.sd / self.value) ** 2 + 2.0 * days * self.covariance + days * days * self.slope_var
        var += LEVEL_WALK_SD**2 * days + SLOPE_WALK_SD**2 * days**3 / 3.0
        return FlowFactor(
            value=math.exp(x),
            sd=math.exp(x) * math.sqrt(var),
            updated=when,
            slope_per_day=self.slope_per_day,
            slope_var=self.slope_var + SLOPE_WALK_SD**2 * days,
            covariance=self.covariance + days * self.slope_var + SLOPE_WALK_SD**2 * days**2 / 2.0,
        )


def commissioned_flow(zone: Zone, since: datetime | None) -> FlowFactor:
    """What is known of a zone whose emitters were all measured, before its first proven run.

    ``since``: when that was; from then on it clogs. Emitters measured one by one miss independently, so a
    zone of many is known better than each of them.
    """
    emitters = zone.emitters
    spread = sum(e.spread for e in emitters) / len(emitters)
    return FlowFactor(value=1.0, sd=math.hypot(MEASURED_SD, spread / math.sqrt(len(emitters))), updated=since)


def fresh_flow(zone: Zone, since: datetime | None) -> FlowFactor:
    """What is known of a zone as the site file has it: little where an emitter was never measured."""
    if any(e.head_min_m is None for e in zone.emitters):
        return FlowFactor(value=1.0, sd=CATALOGUE_SD, updated=since)
    return commissioned_flow(zone, since)


@dataclass(frozen=True, slots=True)
class ZoneFlows:
    """All zones of a garden. ``mean`` holds ln(factor) of each zone, then its slope per day; ``updated``
    None: nothing is known of when that held, and it is taken to hold until the first proven run."""

    zones: tuple[str, ...]
    mean: tuple[float, ...]  # (2 n,)
    cov: tuple[tuple[float, ...], ...]  # (2 n, 2 n)
    updated: datetime | None

    def factor(self, zone: str, when: datetime | None = None) -> FlowFactor:
        """One zone's factor, as foreseen for ``when``. KeyError for a zone that is not of the garden."""
        if zone not in self.zones:
            raise KeyError(f"no zone {zone!r}; there are {', '.join(self.zones)}")
        i, n = self.zones.index(zone), len(self.zones)
        value = math.exp(self.mean[i])
        sd = value * math.sqrt(max(0.0, self.cov[i][i]))
        found = FlowFactor(
            value, sd, self.updated, self.mean[n + i], self.cov[n + i][n + i], self.cov[i][n + i]
        )
        return found if when is None else found.at(when)


def joined(factors: Iterable[tuple[str, FlowFactor]]) -> ZoneFlows:
    """The zones together, from what is known of each; how their slopes go together is as before anything
    was learned."""
    pairs = tuple(factors)
    known = [f.updated for _, f in pairs if f.updated is not None]
    updated = max(known) if known else None
    here = [f.at(updated) if updated is not None else f for _, f in pairs]
    n = len(pairs)
    cov = np.zeros((2 * n, 2 * n))
    slope_sd = np.sqrt([f.slope_var for f in here])
    cov[n:, n:] = np.outer(slope_sd, slope_sd) * _shared(n)
    for i, f in enumerate(here):
        cov[i, i] = (f.sd / f.value) ** 2
        cov[i, n + i] = cov[n + i, i] = f.covariance
    mean = [math.log(f.value) for f in here] + [f.slope_per_day for f in here]
    return ZoneFlows(tuple(z for z, _ in pairs), tuple(mean), _rows(cov), updated)


def learn_flow(
    prior: ZoneFlows,
    zone: str,
    *,
    modelled_l: float,
    measured_l: float,
    measured_sd_l: float,
    at: datetime,
) -> ZoneFlows:
    """The factors after a run of ``zone``.

    ``modelled_l`` is what the model gives at factor 1, priming included; ``measured_l`` the level's fall in
    litres with leak and roof inflow already taken out. Nothing is learned from a run without modelled litres
    or with a measure that is not finite.
    """
    if modelled_l <= 0.0 or measured_sd_l <= 0.0 or not math.isfinite(measured_l + measured_sd_l):
        return prior
    mean, cov = _carried(prior, at)
    i, n = prior.zones.index(zone), len(prior.zones)
    expected_l = modelled_l * math.exp(mean[i])
    # Derivative of the measure by x = ln(factor): the expected litres themselves.
    noise_var = measured_sd_l**2 + (MODEL_SD * expected_l) ** 2
    innovation_l = measured_l - expected_l
    total_var = expected_l**2 * cov[i, i] + noise_var
    excess = abs(innovation_l) / math.sqrt(total_var) / GATE_SIGMAS
    if excess > 1.0:
        noise_var = noise_var * excess**2
        total_var = expected_l**2 * cov[i, i] + noise_var
    gain = expected_l * cov[:, i] / total_var
    mean = mean + gain * innovation_l
    mean[:n] = np.clip(mean[:n], math.log(FACTOR_MIN), math.log(FACTOR_MAX))
    cov = cov - np.outer(gain, gain) * total_var
    return ZoneFlows(prior.zones, tuple(mean.tolist()), _rows((cov + cov.T) / 2.0), at)


def _carried(flows: ZoneFlows, when: datetime) -> tuple[Array, Array]:
    """Mean and covariance as foreseen for a later instant: the slopes carried on, the doubt grown."""
    mean, cov = np.array(flows.mean), np.array(flows.cov)
    days = (when - flows.updated).total_seconds() / 86400.0 if flows.updated is not None else 0.0
    if days <= 0.0:
        return mean, cov
    n = len(flows.zones)
    step = np.eye(2 * n)
    step[:n, n:] = days * np.eye(n)
    walk = SLOPE_WALK_SD**2 * _shared(n)
    cov = step @ cov @ step.T
    cov[:n, :n] += LEVEL_WALK_SD**2 * days * np.eye(n) + walk * days**3 / 3.0
    cov[:n, n:] += walk * days**2 / 2.0
    cov[n:, :n] += walk * days**2 / 2.0
    cov[n:, n:] += walk * days
    return step @ mean, cov


def _shared(n: int) -> Array:
    """Correlations of the slopes of ``n`` zones."""
    return np.full((n, n), SHARED_SLOPE) + (1.0 - SHARED_SLOPE) * np.eye(n)


def _rows(matrix: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())
