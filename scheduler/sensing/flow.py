"""How much of the modelled flow a zone really gives, learned from the level's fall.

A Kalman filter on x = ln(factor) with a local linear trend (level and slope): clogging takes flow slowly and
steadily, and a filter on the level alone would lag behind it by half its memory.
(Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989, ch. 2: local linear trend.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from scheduler.sensing.rest import RestLevel, drop_measured, rest_level

__all__ = ["FRESH_FLOW", "FlowFactor", "RestLevel", "drop_measured", "learn_flow", "rest_level"]

# After commissioning the modelled zone flow is right to a few per cent: one sd of ln(factor).
FRESH_SD = 0.03
# Unfiltered roof water clogs: 15 % in a 75-day season is 0.22 % a day, a clean one loses next to nothing. The
# slope of ln(factor) per day expected before anything is learned (two thirds of that: our choice); its sd.
FRESH_SLOPE = -0.0015
FRESH_SLOPE_SD = 0.0015
# Random walk of level and slope, per square root of a day: grit that comes and goes; slow change of pace.
LEVEL_WALK_SD = 0.0015
SLOPE_WALK_SD = 0.00015
# Share of a run's litres that the hydraulic model cannot place (priming, temperature), one sd.
MODEL_SD = 0.01
# A drop further off than this many sd loses weight: a can drawn in the run teaches little.
GATE_SIGMAS = 3.0
# Outside these a zone is no longer the garden that was modelled; the caller raises an alert.
FACTOR_MIN = 0.05
FACTOR_MAX = 3.0


@dataclass(frozen=True, slots=True)
class FlowFactor:
    """Factor on the modelled flow of a zone, its standard deviation, and the filter's own memory.

    ``value`` and ``sd`` are enough to restore it; the slope then starts afresh.
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


FRESH_FLOW = FlowFactor(value=1.0, sd=FRESH_SD)


def learn_flow(
    prior: FlowFactor, *, modelled_l: float, measured_l: float, measured_sd_l: float, at: datetime
) -> FlowFactor:
    """The factor after a run.

    ``modelled_l`` is what the model gives at factor 1, priming included; ``measured_l`` the level's fall in
    litres with leak and roof inflow already taken out. Nothing is learned from a run without modelled litres
    or with a measure that is not finite.
    """
    if modelled_l <= 0.0 or measured_sd_l <= 0.0 or not math.isfinite(measured_l + measured_sd_l):
        return prior
    seen = prior.at(at)
    if prior.updated is None:
        seen = FlowFactor(prior.value, prior.sd, at, prior.slope_per_day, prior.slope_var, prior.covariance)
    expected_l = modelled_l * seen.value
    # Derivative of the measure by x = ln(factor): the expected litres themselves.
    var_x = (seen.sd / seen.value) ** 2
    noise_var = measured_sd_l**2 + (MODEL_SD * expected_l) ** 2
    innovation_l = measured_l - expected_l
    total_var = expected_l**2 * var_x + noise_var
    excess = abs(innovation_l) / math.sqrt(total_var) / GATE_SIGMAS
    if excess > 1.0:
        noise_var = noise_var * excess**2
        total_var = expected_l**2 * var_x + noise_var
    gain_x = expected_l * var_x / total_var
    gain_v = expected_l * seen.covariance / total_var
    x = math.log(seen.value) + gain_x * innovation_l
    value = min(max(math.exp(x), FACTOR_MIN), FACTOR_MAX)
    new_var = var_x * (1.0 - gain_x * expected_l)
    return FlowFactor(
        value=value,
        sd=value * math.sqrt(max(new_var, 0.0)),
        updated=at,
        slope_per_day=seen.slope_per_day + gain_v * innovation_l,
        slope_var=max(0.0, seen.slope_var - gain_v * expected_l * seen.covariance),
        covariance=seen.covariance * (1.0 - gain_x * expected_l),
    )
