"""Which states of a node are news, and which are old ones played again.

The rule stands in ``messages``. Pure: randomness is passed in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from scheduler.link.messages import StateMessage

Verdict = Literal["fresh", "repeated", "unconfirmed"]


class Freshness:
    """One node as one connection of the daemon knows it. ``draw`` gives a new random challenge."""

    def __init__(self, draw: Callable[[], str]) -> None:
        self._draw = draw
        self._challenge: str | None = None
        self._session: str | None = None
        self._number = 0
        self._uptime_ms = 0
        self.repeated_total = 0

    @property
    def session(self) -> str | None:
        """The session that is believed, if any."""
        return self._session

    @property
    def asking(self) -> bool:
        """A challenge is out that no state has echoed yet."""
        return self._challenge is not None

    def forget(self) -> None:
        """The daemon's own connection is new: nothing is believed until it has been asked."""
        self._session = None
        self._challenge = None

    def challenge(self) -> str:
        """The challenge to ask with; the same until a state echoes it."""
        if self._challenge is None:
            self._challenge = self._draw()
        return self._challenge

    def take(self, state: StateMessage) -> Verdict:
        """``unconfirmed``: ask the node with ``challenge()`` and use nothing of this state."""
        if state.session != self._session:
            if self._challenge is None or state.challenge != self._challenge:
                return "unconfirmed"
            self._session = state.session
            self._number = 0
            self._uptime_ms = 0
            self._challenge = None
        if state.number <= self._number or state.uptime_ms < self._uptime_ms:
            self.repeated_total += 1
            return "repeated"
        self._number = state.number
        self._uptime_ms = state.uptime_ms
        if state.challenge == self._challenge:
            self._challenge = None
        return "fresh"
