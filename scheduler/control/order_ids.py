"""The id of an order: its session and sequence. None is ever used twice, or its water would not be booked."""

from __future__ import annotations

from scheduler.control.state import State

# Of a session's 16 hex digits so many stand in the id (64 bits drawn at random; 48 are as good as unique).
STEM_DIGITS = 12


def order_id(session: str, sequence: int) -> str:
    return f"{_stem(session)}{sequence}"


def last_used(state: State, session: str) -> int:
    """The highest sequence ever ordered with in this session; 0: none.

    Also by an earlier life of the service: an order that was written down and never sent has spent its
    number, for it is booked with nothing, and a second order of that id would not be booked at all.
    """
    issued = state.issued[1] if state.issued[0] == session else 0
    stem = _stem(session)
    ids = (*state.booked, *(held.intent.order.order_id for held in state.intents))
    return max((issued, *(int(i[len(stem) :]) for i in ids if i.startswith(stem))))


def _stem(session: str) -> str:
    return f"{session[:STEM_DIGITS]}."
