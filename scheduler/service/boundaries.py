"""FOR TESTS ONLY: die at a named place between two effects, to see what a power cut there does.

Inert unless FALLINGHEAD_KILL_AT is set, for example ``after_intent:1`` for the first time that an intent
has become durable and its order is not sent yet. The process then kills itself with SIGKILL. Several, as in
``after_order:1 before_record:2``, are passed one after the other: each counts from the one before it on.
"""

from __future__ import annotations

import os
import signal
from typing import Literal, get_args

from scheduler.site.errors import UsageError

KILL_VARIABLE = "FALLINGHEAD_KILL_AT"

Boundary = Literal[
    "before_step",  # an event is taken from the queue, nothing is decided
    "after_step",  # decided, nothing is done
    "before_record",  # any record that must be durable
    "after_record",
    "before_intent",  # a transaction with an intent
    "after_intent",
    "before_booking",  # a transaction with a booking
    "after_booking",
    "before_order",  # an opening order to the node
    "after_order",
    "before_close",
    "after_close",
    "before_receipt",
    "after_receipt",
    "before_flush",  # gathered readings
    "after_flush",
    "after_request",  # a person's request is read from the store, not acted on
]
BOUNDARIES: tuple[Boundary, ...] = get_args(Boundary)


class Boundaries:
    """Counts how often each boundary is reached and dies at the last of those that were asked for."""

    def __init__(self, asked: str | None = None) -> None:
        asked = asked if asked is not None else os.environ.get(KILL_VARIABLE, "")
        self._ahead = [_read(one) for one in asked.split()]

    def reached(self, name: Boundary) -> None:
        if not self._ahead or name != self._ahead[0][0]:
            return
        left = self._ahead[0][1] - 1
        if left > 0:
            self._ahead[0] = (name, left)
            return
        del self._ahead[0]
        if not self._ahead:
            os.kill(os.getpid(), signal.SIGKILL)


def _read(asked: str) -> tuple[str, int]:
    name, _, count = asked.partition(":")
    if name not in BOUNDARIES or not (count or "1").isdigit() or int(count or 1) < 1:
        raise UsageError(
            f"{KILL_VARIABLE}: read {asked!r}; write NAME:COUNT with a name of {', '.join(BOUNDARIES)}."
        )
    return name, int(count or 1)
