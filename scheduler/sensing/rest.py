"""Levels at rest, averaged, and the litres between two of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, Protocol

from scheduler.sensing.level import SLOW_SD_M, LevelTrack
from scheduler.sensing.trend import Line, Trend
from scheduler.site.model import Site

# The slow error over the hours of one rest: a quarter of a belief's allowance, for most of that is constant
# and cancels between two levels of one sensor.
REST_SLOW_SD_M = SLOW_SD_M / 4.0
# Below so many readings or hours the slope of a rest says less than "the level stands still".
SLOPE_READINGS = 24
SLOPE_SPAN_H = 2.0


# After a disturbance the level is taken to be quiet when so many hours of readings lie on one line.
QUIET_H = 2.0


@dataclass(frozen=True, slots=True)
class RestLevel:
    """Level at the instant ``at``, from ``n`` readings with the valve shut; the sd is of noise, not of zero.

    ``slope_m_h`` is the trend that was taken out (0 when too few readings tell one). ``disturbed``: rain, a
    can or something else moved the level during the rest, so it says little about a run before it.
    """

    mean_m: float
    sd_m: float
    n: int
    at: datetime
    slope_m_h: float = 0.0
    disturbed: bool = False
    carried_h: float = 0.0  # from the middle of the readings to ``at``: an error of the slope counts so often


def rest_level(
    track: LevelTrack,
    site: Site,
    *,
    at: datetime | None = None,
    end: Literal["before", "after"] = "before",
    slope_m_h: float | None = None,
) -> RestLevel | None:
    """The level since the valve last moved and settled; None below three readings.

    ``end`` "before" is for the run to come: the line through the readings, older ones fading, at ``at`` (else
    at the last reading). "after" is for the run that was: the line through the first hours, at ``at`` (else
    when the valve closed). A known trend (``slope_m_h``, a leak) is better than a fitted one: the sd is then
    ``noise / sqrt(n)``.
    """
    trend = track.near if end == "before" else track.after
    if trend.n < 3 or trend.last is None or trend.origin is None:
        return None
    noise_m = site.sensor.noise_m if site.sensor is not None else SLOW_SD_M
    if at is None:
        at = trend.last if end == "before" else (track.moved_at or trend.origin)
    line = trend.line_at(at, noise_m)
    if slope_m_h is not None or line is None or trend.n < SLOPE_READINGS or trend.span_h < SLOPE_SPAN_H:
        line = _with_slope(trend, at, noise_m, slope_m_h or 0.0)
    return RestLevel(
        mean_m=line.level_m,
        sd_m=math.hypot(line.level_sd_m, REST_SLOW_SD_M),
        n=trend.n,
        at=at,
        slope_m_h=line.slope_m_h,
        # The lines begin anew at a disturbance: one that is long over spoils the rest after a run, but not
        # the level before the next.
        disturbed=track.disturbed and (end == "after" or trend.span_h < QUIET_H),
        carried_h=(at - trend.origin).total_seconds() / 3600.0 - trend.centre_h,
    )


def _with_slope(trend: Trend, at: datetime, noise_m: float, slope_m_h: float) -> Line:
    mean = trend.mean(noise_m)
    assert mean is not None and trend.origin is not None
    centre = trend.origin + timedelta(hours=trend.centre_h)
    hours = (at - centre).total_seconds() / 3600.0
    return Line(mean[0] + slope_m_h * hours, mean[1], slope_m_h, 0.0, trend.n)


class LevelVolume(Protocol):
    """What of the stage table is needed here."""

    def volume_l(self, level_m: float) -> float: ...
    def area_m2(self, level_m: float) -> float: ...


def drop_measured(before: RestLevel, after: RestLevel, stage: LevelVolume) -> tuple[float, float]:
    """Litres between two levels at rest and their sd. Leak and roof inflow in between are still in it."""
    litres = stage.volume_l(before.mean_m) - stage.volume_l(after.mean_m)
    # Litres per metre at the middle of the drop.
    per_m = 1000.0 * stage.area_m2((before.mean_m + after.mean_m) / 2.0)
    return litres, per_m * math.hypot(before.sd_m, after.sd_m)
