"""Virtual time: one heap of (time, order of asking, what), streams of random numbers, and the trace."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from heapq import heappop, heappush

Call = Callable[[], None]

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

# More events in one virtual minute than this is a world that stands still.
EVENTS_PER_MINUTE_MAX = 20_000


class StandstillError(RuntimeError):
    """The parts keep each other busy while no time passes."""


class Planned:
    """An event on the heap; ``cancel`` takes it off."""

    __slots__ = ("call",)
    call: Call | None

    def cancel(self) -> None:
        self.call = None


class Clockwork:
    """True time in whole milliseconds from the start of the world."""

    def __init__(self, seed: int | str, *, keep_trace: bool = False) -> None:
        self.seed = seed
        self.now_ms = 0
        self.events = 0
        self._heap: list[tuple[int, int, Planned]] = []
        self._asked = 0
        self._hash = hashlib.sha256()
        self.lines: list[str] | None = [] if keep_trace else None

    def stream(self, part: str) -> random.Random:
        """A part's own random numbers: a new fault in one part does not shift those of another."""
        return random.Random(f"{self.seed}/{part}")

    def at(self, at_ms: int, call: Call) -> Planned:
        planned = Planned()
        planned.call = call
        self._asked += 1
        heappush(self._heap, (at_ms if at_ms > self.now_ms else self.now_ms, self._asked, planned))
        return planned

    def after(self, in_ms: int, call: Call) -> Planned:
        return self.at(self.now_ms + in_ms, call)

    def run_to(self, end_ms: int) -> None:
        heap = self._heap
        # Events since this moment are counted; it moves on with the minutes that pass.
        minute_ends_ms, most = self.now_ms, self.events
        while heap and heap[0][0] <= end_ms:
            at_ms, _, planned = heappop(heap)
            call = planned.call
            if call is None:
                continue
            self.now_ms = at_ms
            self.events += 1
            if at_ms >= minute_ends_ms:
                minute_ends_ms, most = at_ms + MINUTE, self.events + EVENTS_PER_MINUTE_MAX
            elif self.events > most:
                raise StandstillError(
                    f"more than {EVENTS_PER_MINUTE_MAX} events by {at_ms} ms within a minute"
                )
            call()
        self.now_ms = end_ms

    def note(self, part: str, text: str) -> None:
        """One line of the trace."""
        line = f"{self.now_ms} {part} {text}"
        self._hash.update(line.encode())
        self._hash.update(b"\n")
        if self.lines is not None:
            self.lines.append(line)

    @property
    def trace_hash(self) -> str:
        return self._hash.hexdigest()
