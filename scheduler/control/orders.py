"""Orders to a valve node and what it answers, as values. The wire forms live in ``scheduler.link``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ValvePosition = Literal["unknown", "opening", "open", "closing", "closed", "fault"]
EndReason = Literal["time_up", "asked", "low_level", "low_supply", "fault", "restart"]
RefusalReason = Literal[
    "bad_mac", "malformed", "version", "other_node", "retained", "old_session", "old_sequence", "used_order",
    "too_late", "no_such_valve", "busy", "fault", "low_supply", "daily_cap",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Order:
    """One bounded opening. Built for one session of one node; it opens nothing in any other.

    ``open_ms`` runs from the moment the valve starts to open to the moment it starts to close.
    ``low_raw``: the node closes early when the median of its own raw pings passes it, on the side
    ``low_side`` says (an echo sensor's raw value rises as the water falls).
    """

    node: str
    session: str
    sequence: int
    order_id: str
    channel: int
    open_ms: int
    start_by_uptime_ms: int
    low_raw: int | None = None
    low_side: Literal["above", "below"] | None = None


@dataclass(frozen=True, slots=True)
class ValveStatus:
    channel: int
    position: ValvePosition
    order_id: str | None = None  # the order that holds it open now
    open_ms: int = 0  # so far, of that order


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How an order ended. The node repeats it until it is acknowledged by ``order_id``.

    After a restart in mid-run the node knows only that the order was under way: ``open_ms`` is then the
    last value it had saved and ``open_ms_max`` the most that can have passed; more than the order allowed
    (a day) when the node had no power and its valve stays where it is without.
    """

    order_id: str
    channel: int
    open_ms: int
    open_ms_max: int
    why: EndReason


@dataclass(frozen=True, slots=True)
class Refusal:
    why: RefusalReason
    order_id: str | None  # None when the message could not be trusted enough to read it
