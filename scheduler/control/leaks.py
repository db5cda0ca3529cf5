"""How fast the level falls with every valve shut: learned at each long rest, used to judge the runs."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduler.control.state import State, Turn
from scheduler.sensing.leak import leak_lph, learn_leak

# Rain of a day up to this leaves no trace in the barrels (first flush of a roof, 0.4 mm and more).
DRY_MM = 0.3
# Rain this long ago no longer bends the slope, whose memory is 12 h (measured in rehearsals here).
WET_H = 48.0
# This near the brim rain and overflow hide what leaks (ripple and the sensor's own error; our choice).
BRIM_M = 0.01


def leak_l_day(state: State) -> float:
    """Litres a day that the learned leak takes; 0 where none is known surely."""
    return state.leak.sure_l_day if state.leak is not None else 0.0


def leak_slope_m_h(state: State) -> float | None:
    """The trend of the level with every valve shut, from the learned leak; None when none is known."""
    if state.leak is None or state.belief.level_m is None:
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
    """Add what the rest before a run tells; nothing when it was short, disturbed, wet or at the brim."""
    state = turn.state
    if wet_between(turn, turn.now.wall - timedelta(hours=WET_H)):
        return
    if state.belief.level_m is None or state.belief.level_m > state.model.stage.brim_level_m - BRIM_M:
        return
    seen = leak_lph(state.track, state.site, state.model.stage)
    if seen is None:
        return
    turn.change(leak=learn_leak(state.leak, seen))
