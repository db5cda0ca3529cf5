"""How fast the level falls with every valve shut: learned at each long rest, used to judge the runs
and to say how long the water lasts."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduler.control.state import State, Turn
from scheduler.sensing.leak import leak_lph, learn_leak, watched_leak
from scheduler.sensing.track import TREND_FADE_H

# Rain of a day up to this leaves no trace in the barrels (first flush of a roof, 0.4 mm and more).
DRY_MM = 0.3
# Rain this long ago no longer bends the slope, whose memory is 12 h (measured in rehearsals here).
WET_H = 48.0
# This near the brim rain and overflow hide what leaks (ripple and the sensor's own error; our choice).
BRIM_M = 0.01
# Nor does a leak show where next to nothing is left above the outlet (the sensor's zero and ripple; ours).
OUTLET_M = 0.02


def leak_l_day(state: State) -> float:
    """Litres a day that the learned leak takes; 0 where none is known surely."""
    return state.leak.sure_l_day if state.leak is not None else 0.0


def leak_slope_m_h(state: State) -> float | None:
    """The trend of the level with every valve shut, from the learned leak; None when none is known, or when
    the last rests contradict it."""
    if state.leak is None or state.leak.beyond != 0 or state.belief.level_m is None:
        return None
    return -state.leak.lph / (1000.0 * state.model.stage.area_m2(state.belief.level_m))


def wet_between(turn: Turn, since: datetime) -> bool:
    """Whether rain may have raised the level since then: drizzle is too slow to be seen as a jump.

    A day whose rain nobody tells, not even a forecast, may have been wet.
    """
    state = turn.state
    if state.site.roof is None:
        return False
    day = since.astimezone(state.site.place.timezone).date()
    told = {d.day: d.rain_mm for d in state.weather} | dict(state.rain_typed)
    while day <= turn.local_day:
        rain_mm = told.get(day)
        if rain_mm is None or rain_mm > DRY_MM:
            return True
        day += timedelta(days=1)
    return False


def learn_leak_before_run(turn: Turn) -> None:
    """Add what the rest before a run tells, unless the same readings have contradicted the leak already."""
    leak, looked, last = turn.state.leak, turn.state.leak_watched_at, turn.state.track.trend.last
    again = last is not None and looked is not None and last - looked < timedelta(hours=TREND_FADE_H)
    if leak is not None and leak.beyond != 0 and again:
        return
    seen = _seen(turn)
    if seen is not None:
        turn.change(leak=learn_leak(leak, seen))


def watch_leak(turn: Turn) -> None:
    """Look each whole day of a rest whether it contradicts the known leak: one that has begun is to be known
    within nights, and one that has stopped no longer counted, also where nothing is watered for days."""
    state, trend = turn.state, turn.state.track.trend
    if state.leak is None or trend.first is None or trend.last is None:
        return
    since = max(trend.first, state.leak_watched_at or trend.first)
    if trend.last - since < timedelta(days=1):
        return
    turn.change(leak_watched_at=trend.last)
    seen = _seen(turn)
    if seen is not None:
        turn.change(leak=watched_leak(state.leak, seen))


def _seen(turn: Turn) -> tuple[float, float] | None:
    """What the rest so far tells; None when it is short, disturbed, wet, at the brim or empty."""
    state = turn.state
    if wet_between(turn, turn.now.wall - timedelta(hours=WET_H)):
        return None
    level_m, brim_m = state.belief.level_m, state.model.stage.brim_level_m
    if level_m is None or not OUTLET_M < level_m < brim_m - BRIM_M:
        return None
    return leak_lph(state.track, state.site, state.model.stage)
