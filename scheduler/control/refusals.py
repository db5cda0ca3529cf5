"""What the node refused, and whose it was: a stranger's messages, or orders of our own.

A message of a stranger, or an old one of ours that somebody plays back, is one thing; an order of ours that
the node may not or cannot carry out (its day's share is given, its supply is low) is another.
"""

from __future__ import annotations

from scheduler.control import ledger
from scheduler.control.alarms import WELL, Condition
from scheduler.control.effects import Intent, Note
from scheduler.control.events import NodeHeard
from scheduler.control.ordering import START_WITHIN_MS
from scheduler.control.orders import Refusal, RefusalReason
from scheduler.control.pulses import tried_again
from scheduler.control.state import NodeView, OpenIntent, Turn

# Refusals are counted over an hour; three are told (fault F17).
REFUSAL_WINDOW_S = 3600.0
REFUSALS_TOLD = 3
REFUSALS_KEPT = 50
# An order that the node does not know of so long after it was sent did not reach it (fault F14).
UNREACHED_MS = 15_000

_ADVICE: dict[RefusalReason, str] = {
    "daily_cap": "Its valve was open for as long as its settings allow in a day; it waters again tomorrow. "
    "If the plants need more, allow the node a longer day.",
    "fault": "Look at the valve: its motor or an end switch failed.",
    "low_supply": "Charge the battery, or look at the power supply of the shed box.",
    "too_late": "They came too late: the link, the broker or this machine is slow. Look at the radio's reach "
    "and at what else this machine does.",
    "version": "Node and service speak different versions: bring both up to date.",
}
_LOOK = "Read the node's own log: fallinghead node log."


def hear_refusals(turn: Turn, heard: NodeHeard, before: NodeView | None) -> None:
    """Count what the node refused since ``before``; its total counts those that a lost state told of too."""
    ours, strange = 0, 0
    for refusal in heard.refusals:
        turn.emit(Note(f"The node refused an order: {_words(refusal.why)}."))
        if _is_ours(turn, refusal):
            ours += 1
        else:
            strange += 1
    same_life = before is not None and heard.uptime_ms >= before.uptime_ms
    if before is not None and same_life:
        untold = heard.refused_total - before.refused_total - ours - strange
        if untold > 0:
            turn.emit(Note(f"The node refused {untold} more order(s), of which no state came through."))
            strange += untold
    if strange:
        count_strange(turn, strange)


def count_strange(turn: Turn, times: int) -> None:
    now_s = turn.now.monotonic_s
    kept = tuple(t for t in turn.state.refused_mono_s if now_s - t < REFUSAL_WINDOW_S)
    turn.change(refused_mono_s=(*kept, *(now_s for _ in range(min(times, REFUSALS_KEPT))))[-REFUSALS_KEPT:])


def _is_ours(turn: Turn, refusal: Refusal) -> bool:
    """An order of ours that is under way: booked as nothing, unless it opened and came a second time. Or one
    that was given up as it did not come in time, and came after all."""
    held = next((h for h in turn.state.intents if h.intent.order.order_id == refusal.order_id), None)
    if held is None and _came_late(turn, refusal):
        _decline(turn, refusal.why)
        return True
    if held is None or refusal.why == "used_order":
        return False
    if not held.seen_running:
        ledger.book_nothing(turn, held, f"refused: {_words(refusal.why)}")
        turn.change(zones_done=tried_again(turn.state, held.intent.zone))
    _decline(turn, refusal.why)
    return True


def _came_late(turn: Turn, refusal: Refusal) -> bool:
    """Whether the node refused for its lateness an order that we gave up before. The node says so only of an
    order of its present session, with the right code, that it never saw: played back, the same order is an
    old one to it. So it can be said of an order of ours once; a second time it is a stranger's doing."""
    known, late = turn.state.booked, turn.state.came_late
    if refusal.why != "too_late" or refusal.order_id not in known or refusal.order_id in late:
        return False
    turn.change(came_late=(*late, refusal.order_id)[-REFUSALS_KEPT:])
    return True


def _decline(turn: Turn, why: RefusalReason) -> None:
    now_s = turn.now.monotonic_s
    recent = (d for d in turn.state.declined if now_s - d[0] < REFUSAL_WINDOW_S)
    turn.change(declined=(*recent, (now_s, why))[-REFUSALS_KEPT:])


def see_unreached(turn: Turn, heard: NodeHeard) -> None:
    """An order that the node does not know of, though it answers: the broker may take it and drop it."""
    for held in turn.state.intents:
        order = held.intent.order
        if heard.session != order.session:
            continue
        if heard.last_sequence >= order.sequence:
            turn.change(unreached=0)
        elif not held.unreached and _should_know(held, heard):
            turn.change(
                unreached=turn.state.unreached + 1,
                last_unreached=held.intent,
                intents=tuple(h.noted_unreached() if h is held else h for h in turn.state.intents),
            )
            turn.emit(Note(f"Order {order.order_id} has not reached the node, which answers all the same."))


def _should_know(held: OpenIntent, heard: NodeHeard) -> bool:
    return heard.uptime_ms >= held.intent.order.start_by_uptime_ms - START_WITHIN_MS + UNREACHED_MS


def strangers(turn: Turn) -> Condition:
    if not turn.state.refused_mono_s:
        return WELL
    recent = [t for t in turn.state.refused_mono_s if turn.now.monotonic_s - t < REFUSAL_WINDOW_S]
    return Condition(
        len(recent) >= REFUSALS_TOLD,
        lambda: f"{turn.state.site.name}: the node refused {len(recent)} orders within an hour.",
        "Somebody may be sending orders that are not ours: change the node's key and the broker's passwords.",
    )


def declined(turn: Turn) -> Condition:
    """Orders of our own that the node refuses."""
    if not turn.state.declined:
        return WELL
    recent = [why for t, why in turn.state.declined if turn.now.monotonic_s - t < REFUSAL_WINDOW_S]
    if not recent:
        return WELL
    reasons = sorted(set(recent))
    return Condition(
        True if len(recent) >= REFUSALS_TOLD else None,
        lambda: (
            f"{turn.state.site.name}: the node refused {len(recent)} of our own orders within an hour: "
            f"{', '.join(map(_words, reasons))}."
        ),
        " ".join(dict.fromkeys(_ADVICE.get(why, _LOOK) for why in reasons)),
    )


def unreached(turn: Turn) -> Condition:
    state = turn.state
    if state.unreached <= 0:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: "
            f"{f'{state.unreached} orders in a row' if state.unreached > 1 else 'an order'} did not reach "
            "the valve node, though it answers."
        ),
        f"{_once_more(state.last_unreached)} If this stays: look at the broker's list of who may write "
        "what (it drops what it does not allow without a word), and set it up anew as the installation guide "
        "says.",
    )


def _once_more(lost: Intent | None) -> str:
    """Only the plan tries again by itself; what a person asked for, that person asks for again."""
    if lost is None or lost.asked_by is None:
        again = "It is tried again by itself while its window lasts"
        return f"{again}; a busy machine or a poor radio may need that."
    again = "so it is not tried again by itself"
    if lost.for_test:
        return f"It was for a test, {again}: type open and for how long once more."
    return f"A person asked for it, {again}. Ask again: fallinghead water ZONE AMOUNT."


def _words(why: RefusalReason) -> str:
    return why.replace("_", " ")
