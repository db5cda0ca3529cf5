"""FOR TESTS ONLY: die at a named place between two effects, to see what a power cut there does.

Inert unless FALLINGHEAD_KILL_AT is set, for example ``after_intent:1`` for the first time that an intent
has become durable and its order is not sent yet. The process then kills itself with SIGKILL.
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
    """Counts how often each boundary is reached and dies at the one that was asked for."""

    def __init__(self, asked: str | None = None) -> None:
        asked = asked if asked is not None else os.environ.get(KILL_VARIABLE, "")
        self._name, self._left = _read(asked) if asked else ("", 0)

    def reached(self, name: Boundary) -> None:
        if name != self._name:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


def _read(asked: str) -> tuple[str, int]:
    name, _, count = asked.partition(":")
    if name not in BOUNDARIES or not (count or "1").isdigit() or int(count or 1) < 1:
        raise UsageError(
            f"{KILL_VARIABLE}: read {asked!r}; write NAME:COUNT with a name of {', '.join(BOUNDARIES)}."
        )
    return name, int(count or 1)
