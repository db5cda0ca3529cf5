"""The level that a run is sized from: the believed one, less what was drawn since, and how far known."""

from __future__ import annotations

from dataclasses import replace

from scheduler.control.state import State, Turn
from scheduler.planning.watering import LAST_KNOWN_AGE
from scheduler.sensing.belief import LevelBelief


def working_level_m(turn: Turn) -> float | None:
    """The believed level; when it is unknown, the lower bound of one not too old; else None."""
    state = turn.state
    if state.belief.known:
        return lowered(state, state.belief).level_m
    last = state.last_known
    if last is None or last.at is None or turn.now.wall - last.at > LAST_KNOWN_AGE:
        return None
    return lowered(state, last).low_m


def lowered(state: State, belief: LevelBelief) -> LevelBelief:
    """A belief less the runs that began since its reading: a silent sensor does not make water twice.

    A reading taken during a run, or after it, knows of it.
    """
    draws = state.draws
    if state.track.unseen_m > 0.0:  # the belief is brought down by the last run already
        last = max((d.at for d in draws if d.by_run), default=None)
        draws = tuple(d for d in draws if not (d.by_run and d.at == last))
    drawn_l = sum(d.litres for d in draws if belief.at is not None and d.at >= belief.at)
    if drawn_l == 0.0 or belief.level_m is None or belief.low_m is None or belief.high_m is None:
        return belief
    stage = state.model.stage
    level_m, low_m, high_m = (
        stage.level_m(max(0.0, stage.volume_l(m) - drawn_l))
        for m in (belief.level_m, belief.low_m, belief.high_m)
    )
    return replace(belief, level_m=level_m, low_m=low_m, high_m=high_m)


def floor_margin_m(state: State) -> float:
    """What the level is not known to: kept above the floor, so that the true level stays above it too."""
    belief = state.belief
    if belief.level_m is None or belief.low_m is None:
        return 0.0
    return max(0.0, belief.level_m - belief.low_m)
