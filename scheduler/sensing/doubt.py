"""Whether the level sensor is still to be believed: what a person should look at, though readings come.

A level that moves may be water or sensor. What nobody can tell apart (a can that was taken and not told, an
offset; a leak, a drift downwards) is said as such, and the person looks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta

from scheduler.sensing.leak import LEAK_READINGS, LEAK_SPAN_H, Leak
from scheduler.sensing.level import SLOW_SD_M, LevelTrack
from scheduler.sensing.scale import temperature_sd_m
from scheduler.sensing.water import surface_m2
from scheduler.site.model import Site

# More than this share of the readings that are remembered was refused: the sensor sees something else than
# water now and then. A healthy one has one in hundreds refused (sensing/checks.py: JUMP_SIGMAS).
REFUSED_SHARE = 0.25
REFUSED_READINGS = 12
# A jump that was believed is told for so long.
JUMP_TOLD = timedelta(hours=24)
# The trend of a rest beyond so many sd is not chance: some 300 rests a season, each looked at many times.
DRIFT_SIGMAS = 4.0
HOURS_PER_DAY = 24.0


def doubts(
    track: LevelTrack, site: Site, now: datetime, *, leak: Leak | None, dry: Callable[[], bool], told: bool
) -> tuple[str, ...]:
    """In words what speaks against the sensor; empty: nothing.

    ``leak``: as learned from earlier rests. ``dry``: whether no rain fell since the valve last moved, for
    certain; asked for only where it matters.
    ``told``: a person told of water taken or added today, so that a jump is explained.
    """
    if site.sensor is None:
        return ()
    drift = None if told else drift_doubt(track, site, leak)
    found = (
        refused_doubt(track),
        None if told else jump_doubt(track, now),
        drift if drift is not None and dry() else None,
    )
    return tuple(words for words in found if words is not None)


def refused_doubt(track: LevelTrack) -> str | None:
    """Too many of the last readings could not be used."""
    count, of = sum(track.refused), len(track.refused)
    if of < REFUSED_READINGS or count <= REFUSED_SHARE * of:
        return None
    last = f", lately because {track.faults[0]}" if track.faults else ""
    return f"{count} of the last {of} readings could not be used{last}"


def jump_doubt(track: LevelTrack, now: datetime) -> str | None:
    """A jump that was believed because readings agree on it, though nothing known explains it."""
    if track.jumped is None or now - track.jumped[0] > JUMP_TOLD:
        return None
    at, gap_m = track.jumped
    hours = (now - at).total_seconds() / 3600.0
    ago = f"{hours:.0f} h ago" if hours >= 1.0 else "within the last hour"
    way = "rose" if gap_m > 0.0 else "fell"
    return f"{ago} the level {way} by {1000.0 * abs(gap_m):.0f} mm, which neither valve nor roof explains"


def drift_doubt(track: LevelTrack, site: Site, leak: Leak | None) -> str | None:
    """With the valve shut and no rain the level rises, or falls faster than the known leak explains.

    While no leak is known, a fall may be one that was always there: only a rise is then a doubt.
    """
    trend = track.trend
    assert site.sensor is not None
    if track.disturbed or trend.last is None or trend.n < LEAK_READINGS or trend.span_h < LEAK_SPAN_H:
        return None
    line = trend.line_at(trend.last, site.sensor.noise_m)
    if line is None:
        return None
    air_c = track.recent[-1].air_c if track.recent else None
    # What warmth and ripple add at one end of the rest and not at the other.
    ends_m = math.sqrt(2.0) * math.hypot(SLOW_SD_M, temperature_sd_m(site, line.level_m, air_c))
    per_m = 1000.0 * surface_m2(site, line.level_m)
    expected_m_h = -leak.lph / per_m if leak is not None else 0.0
    leak_sd_m_h = leak.sd_lph / per_m if leak is not None else 0.0
    sd_m_h = math.hypot(line.slope_sd_m_h, ends_m / trend.span_h, leak_sd_m_h)
    rises = line.slope_m_h > DRIFT_SIGMAS * sd_m_h
    falls = leak is not None and line.slope_m_h < min(0.0, expected_m_h) - DRIFT_SIGMAS * sd_m_h
    if not rises and not falls:
        return None
    mm_day = 1000.0 * HOURS_PER_DAY * line.slope_m_h
    if rises:
        return f"with every valve shut and no rain the level rises by {mm_day:.0f} mm a day"
    lph = -line.slope_m_h * per_m
    return (
        f"with every valve shut the level falls by {-mm_day:.0f} mm a day ({lph:.1f} L/h), more than before"
    )
