"""How fast the level falls with every valve shut: learned at each long rest, used to judge the runs."""

from __future__ import annotations

from scheduler.control.state import State, Turn
from scheduler.sensing.leak import leak_lph, learn_leak

# A leak is taken to change slowly: for each rest the sd of what was known before grows by this factor.
LEAK_FORGETTING = 1.1


def leak_slope_m_h(state: State) -> float | None:
    """The trend of the level with every valve shut, from the learned leak; None when none is known."""
    if state.leak is None or state.belief.level_m is None:
        return None
    return -state.leak[0] / (1000.0 * state.model.stage.area_m2(state.belief.level_m))


def learn_leak_before_run(turn: Turn) -> None:
    """Add what the rest before a run tells; nothing when it was short or disturbed."""
    state = turn.state
    seen = leak_lph(state.track, state.site, state.model.stage)
    if seen is None:
        return
    prior = (state.leak[0], state.leak[1] * LEAK_FORGETTING) if state.leak is not None else None
    turn.change(leak=learn_leak(prior, seen))
