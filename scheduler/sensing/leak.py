"""Litres an hour that leave the tank with the valve shut."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scheduler.sensing.level import SLOW_SD_M, LevelTrack
from scheduler.sensing.rest import LevelVolume
from scheduler.site.model import Site

# Shorter rests tell no leak: the trade looks at a night (12-24 h at commissioning, 8 h for the alarm).
LEAK_SPAN_H = 6.0
LEAK_READINGS = 24
# Sightings further off than this many sd are another thing than the leak that was known ...
GATE_SIGMAS = 3.0
# ... until so many in a row say the same (a choice of this project).
CHANGED_RESTS = 3
# A leak is taken to change slowly: for each rest the sd of what was known before grows by this factor.
FORGETTING = 1.1
# A leak is counted on where it is so many sd from none (ours).
SURE_SIGMAS = 2.0


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


@dataclass(frozen=True, slots=True)
class Leak:
    """Litres an hour that leave with the valves shut, and their sd. ``beyond``: rests in a row that lay far
    above (+) or below (-) this: one is a shower or a can, several are a leak that changed. ``less``: what
    the last rest showed (L/h and its sd), where it lay far below and still tells of a leak."""

    lph: float
    sd_lph: float
    beyond: int = 0
    less: tuple[float, float] | None = None

    @property
    def sure_l_day(self) -> float:
        """Litres a day, where it is told from none at all (by two sd); else 0: the first nights alone may be
        off by as much as a small barrel's plants drink. Nor is it sure once the last rest lay far below it: a
        loss may have stopped. One that has only become less, as with a falling head, is counted as that."""
        lph, sd_lph = self.less or (self.lph, self.sd_lph)
        sure = lph > SURE_SIGMAS * sd_lph and (self.beyond >= 0 or self.less is not None)
        return 24.0 * lph if sure else 0.0

    @property
    def sure_sd_l_day(self) -> float:
        """One sd of that."""
        return 24.0 * (self.less[1] if self.less is not None else self.sd_lph)


def learn_leak(prior: Leak | None, seen: tuple[float, float]) -> Leak:
    """What one more rest (L/h and its sd) teaches; estimates are weighed by their variances.

    A sighting far from what was known is only counted at first: a shower that nobody foretold, a can. After
    ``CHANGED_RESTS`` of them on one side the leak has changed, and what was known before no longer holds.
    """
    if prior is None:
        return Leak(*seen)
    known_sd = prior.sd_lph * FORGETTING
    away = _away(prior, seen)
    if abs(away) > GATE_SIGMAS:
        side = 1 if away > 0.0 else -1
        beyond = prior.beyond + side if prior.beyond * side >= 0 else side
        if abs(beyond) >= CHANGED_RESTS:
            return Leak(*seen)
        return Leak(prior.lph, known_sd, beyond, seen if _is_less(beyond, prior, seen) else None)
    a, b = 1.0 / known_sd**2, 1.0 / seen[1] ** 2
    return Leak((prior.lph * a + seen[0] * b) / (a + b), math.sqrt(1.0 / (a + b)))


def _is_less(beyond: int, prior: Leak, seen: tuple[float, float]) -> bool:
    """Whether a rest far below tells of a leak still. The first after a loss has stopped may have begun
    before that, and shows a part of it: then only half or more is one. The next has only the time since."""
    return beyond < -1 or (beyond == -1 and seen[0] >= prior.lph / 2.0)


def watched_leak(prior: Leak, seen: tuple[float, float]) -> Leak:
    """What a part of a rest that goes on teaches: whether the leak has changed. What bears it out adds
    nothing, for parts of one rest do not err each on its own."""
    if abs(_away(prior, seen)) > GATE_SIGMAS:
        return learn_leak(prior, seen)
    return replace(prior, beyond=0, less=None)


def _away(prior: Leak, seen: tuple[float, float]) -> float:
    """How far a sighting lies above (+) or below (-) what was known, sd."""
    return (seen[0] - prior.lph) / math.hypot(prior.sd_lph * FORGETTING, seen[1])
