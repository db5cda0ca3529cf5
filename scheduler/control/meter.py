"""A flow meter at the node, where one is fitted: whether water came at all while a valve was open.

What a pulse is worth is not known here, and many meters stand still at the small flows of a head of a metre
(from memory); so only a zone whose runs the meter did count before is judged by it.
"""

from __future__ import annotations

from scheduler.control.effects import Note
from scheduler.control.orders import RunOutcome
from scheduler.control.state import OpenIntent, Turn

# A shorter run may end before the meter has turned once (our choice).
METERED_MS_MIN = 60_000


def count_run(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> None:
    """Compare the meter's count before and after a run that ended. A node that restarted counts from 0."""
    node = turn.state.node
    if node is None or node.flow_pulses is None or held.flow_pulses is None or outcome.why == "restart":
        return
    counted = node.flow_pulses - held.flow_pulses
    if counted < 0 or outcome.open_ms < METERED_MS_MIN:
        return
    zone = held.intent.zone
    if counted > 0:
        turn.change(metered=turn.state.metered | {zone})
        turn.emit(Note(f"Zone {zone}: the flow meter counted {counted} pulse(s)."))
    elif zone in turn.state.metered:
        turn.emit(Note(f"Zone {zone}: the flow meter counted nothing, though it did in earlier runs."))
        if turn.state.proof is None:  # else the level judges the same run
            counts = dict(turn.state.poor_runs)
            counts[zone] = max(counts.get(zone, 0), 0) + 1
            turn.change(poor_runs=tuple(sorted(counts.items())))
