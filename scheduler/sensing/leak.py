"""Litres an hour that leave the tank with the valve shut."""

from __future__ import annotations

import math

from scheduler.sensing.level import SLOW_SD_M, LevelTrack
from scheduler.sensing.rest import LevelVolume
from scheduler.site.model import Site

# Shorter rests tell no leak: the trade looks at a night (12-24 h at commissioning, 8 h for the alarm).
LEAK_SPAN_H = 6.0
LEAK_READINGS = 24
# Sightings further off than this many sd lose weight.
GATE_SIGMAS = 3.0


def leak_lph(track: LevelTrack, site: Site, stage: LevelVolume) -> tuple[float, float] | None:
    """Fall since the valve last moved as litres per hour, and its sd; None when the rest says too little.

    Negative: the level rose. It is for the caller to ask only when no rain fell. Evaporation is in it.
    None too when something else moved the level meanwhile (``disturbed``).
    """
    trend = track.trend
    if site.sensor is None or track.disturbed or trend.last is None:
        return None
    if trend.n < LEAK_READINGS or trend.span_h < LEAK_SPAN_H:
        return None
    line = trend.line_at(trend.last, site.sensor.noise_m)
    if line is None:
        return None
    litres_per_m = 1000.0 * stage.area_m2(line.level_m)
    # The echo follows the day's warmth: its slow error over the span looks like a slope.
    slow_m_h = SLOW_SD_M / trend.span_h
    return -line.slope_m_h * litres_per_m, math.hypot(line.slope_sd_m_h, slow_m_h) * litres_per_m


def learn_leak(
    prior: tuple[float, float] | None, seen: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Two estimates of a leak, weighed by their variances; ``None`` is no knowledge.

    What was seen loses weight the further it lies from what was known: a shower that nobody foretold, a can.
    """
    if prior is None or seen is None:
        return seen or prior
    excess = max(1.0, abs(seen[0] - prior[0]) / math.hypot(prior[1], seen[1]) / GATE_SIGMAS)
    a, b = 1.0 / prior[1] ** 2, 1.0 / (seen[1] * excess) ** 2
    return (prior[0] * a + seen[0] * b) / (a + b), math.sqrt(1.0 / (a + b))
