"""What is to be made durable: at once, gathered for some minutes, or again after the store failed."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime

from scheduler.agronomy.weather import Outlook
from scheduler.control.clock import Now
from scheduler.control.effects import Record, RecordBooking, RecordIntent, RecordPlan, RecordReading
from scheduler.control.events import NodeHeard
from scheduler.service.boundaries import Boundaries
from scheduler.site.errors import StoreError
from scheduler.store.store import Store

READINGS_MAX = 10
# While the store fails; then the oldest readings and plans go, never bookings, stops, answers or days.
WAITING_MAX = 2000
_SPARED = (RecordReading, RecordPlan)

# Marks in the store: the last time written down, and the boot in which the clock was synchronised.
SAVED_AT = "saved_at"
SYNCED_BOOT = "synced_boot"

log = logging.getLogger("fallinghead")


class Keeping:
    """Between the shell and the store. ``fault`` says in words why the store cannot be written now."""

    def __init__(
        self,
        store: Store,
        boundaries: Boundaries,
        *,
        boot: str = "",
        saved: Callable[[datetime], None] = lambda _: None,
    ) -> None:
        self._store = store
        self._at = boundaries
        self._boot = boot
        self._saved = saved
        self._readings: list[RecordReading] = []
        self._nodes: dict[str, tuple[NodeHeard, datetime]] = {}
        self._heard_anew: set[str] = set()
        self._waiting: list[list[Record]] = []  # of one write together: durable together, or not at all
        self._moved = False
        self.fault: str | None = None

    @property
    def due(self) -> bool:
        """Enough is gathered, or a valve moved, so that a flush should not wait."""
        return len(self._readings) >= READINGS_MAX or self._moved

    @property
    def waiting(self) -> int:
        return sum(len(group) for group in self._waiting)

    def gather(self, record: RecordReading) -> None:
        self._readings.append(record)
        del self._readings[:-WAITING_MAX]

    def heard(self, event: NodeHeard, at: datetime) -> None:
        before = self._nodes.get(event.node)
        self._nodes[event.node] = (event, at)
        self._heard_anew.add(event.node)
        if before is None or _positions(before[0]) != _positions(event):
            self._moved = True

    def write(self, records: Sequence[Record]) -> bool:
        """True: these and everything before them are durable. While the store fails they wait, apart from
        intents: their orders are not sent, so that there is nothing to remember."""
        if self.fault is not None:
            self._wait_for(records)
            return False
        if not records:
            return True
        intent = any(isinstance(r, RecordIntent) for r in records)
        booking = any(isinstance(r, RecordBooking) for r in records)
        self._reach("before", intent, booking)
        if not self._try(records):
            self._wait_for(records)
            return False
        self._reach("after", intent, booking)
        return True

    def retry(self) -> str | None:
        """Write everything that waits. The fault, or None when it is all durable."""
        self.fault = None
        waiting, self._waiting = self._waiting, []
        # The oldest goes alone: while the store still fails, the others are not made into rows in vain.
        for groups in (waiting[:1], waiting[1:]):
            records = [record for group in groups for record in group]
            if records and (self.fault is not None or not self._try(records)):
                self._waiting += groups
        return self.fault

    def flush(self, now: Now) -> str | None:
        """Gathered readings, nodes and marks in one transaction. The fault, or None."""
        if self.fault is not None or not (self._readings or self._moved or self._nodes):
            return self.fault
        marks = {SAVED_AT: now.wall.isoformat()} if now.trust != "unknown" else {}
        if now.trust == "synced" and self._boot:
            marks[SYNCED_BOOT] = self._boot
        self._at.reached("before_flush")
        try:
            anew = tuple(heard for node, heard in self._nodes.items() if node in self._heard_anew)
            self._store.flush(self._readings, anew, marks)
        except StoreError as error:
            self.fault = str(error)
            return self.fault
        self._at.reached("after_flush")
        self._readings, self._heard_anew, self._moved = [], set(), False
        if SAVED_AT in marks:
            self._saved(now.wall)
        return None

    def outlook(self, outlook: Outlook) -> str | None:
        if self.fault is None:
            try:
                self._store.save_outlook(outlook)
            except StoreError as error:
                self.fault = str(error)
        return self.fault

    def _try(self, records: Sequence[Record]) -> bool:
        try:
            self._store.write(records)
        except StoreError as error:
            self.fault = str(error)
            return False
        except Exception as error:  # a record that cannot be a row is a defect of ours; the orders must know
            log.exception("a record could not be written")
            self.fault = f"a record could not be written ({type(error).__name__})"
            return False
        return True

    def _wait_for(self, records: Sequence[Record]) -> None:
        group: list[Record] = [r for r in records if not isinstance(r, RecordIntent)]
        if group:
            self._waiting.append(group)
        while self.waiting > WAITING_MAX:
            spare = next((g for g in self._waiting if any(isinstance(r, _SPARED) for r in g)), None)
            if spare is None:
                break
            spare.remove(next(r for r in spare if isinstance(r, _SPARED)))
            if not spare:
                self._waiting.remove(spare)

    def _reach(self, when: str, intent: bool, booking: bool) -> None:
        first = when == "before"
        self._at.reached("before_record" if first else "after_record")
        if intent:
            self._at.reached("before_intent" if first else "after_intent")
        if booking:
            self._at.reached("before_booking" if first else "after_booking")


def _positions(event: NodeHeard) -> tuple[tuple[int, str], ...]:
    return tuple((valve.channel, valve.position) for valve in event.valves)
