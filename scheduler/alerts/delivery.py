"""Tells people: a bounded queue, one worker, a deadline for each send, retries, and once a day at most.

Nothing here raises into the caller or holds it up, and no outcome holds an address. The queue lives in
memory: after a restart the service hands over again what has no outcome in its store.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import count
from threading import Condition, Event, Thread
from typing import Literal
from zoneinfo import ZoneInfo

from scheduler.alerts.addresses import Address, variable_name
from scheduler.alerts.message import Message, message
from scheduler.alerts.sending import AddressRefusedError, Sender, send_by_apprise
from scheduler.control.effects import Alert
from scheduler.site.model import Person

Status = Literal["told", "failed", "dropped", "no_address", "told_before"]

DEADLINE_S = 10.0
# Between attempts; the last one repeats until the message is too old to be of use.
WAITS_S = (30.0, 60.0, 240.0, 900.0, 3600.0)
GIVE_UP_S = 24 * 3600.0
QUEUE_MAX = 100
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of telling one person of one alert. ``text`` is for people."""

    alert: Alert
    person: str
    status: Status
    attempts: int
    text: str


@dataclass(frozen=True, slots=True)
class Told:
    """Somebody was told of this on that local day; what an earlier life hands to the next."""

    person: str
    kind: str
    subject: str
    day: date


@dataclass(slots=True)
class _Sending:
    """One attempt in a thread of its own, which may outlive the deadline."""

    done: Event = field(default_factory=Event)
    accepted: bool = False
    why_not: str = ""


@dataclass(slots=True, eq=False)
class _Item:
    alert: Alert
    person: str
    address: Address
    message: Message
    told: Told
    number: int
    queued_s: float
    due_s: float
    attempts: int = 0
    sending: _Sending | None = None


class Deliverer:
    """Hand alerts to ``deliver``; outcomes come back through ``on_outcome`` from the worker's thread.

    ``clock`` is monotonic, in seconds. ``told`` is what people know already today. Either ``start`` the
    worker, or call ``work`` oneself.
    """

    def __init__(
        self,
        garden: str,
        people: Sequence[Person],
        addresses: Mapping[str, Address],
        *,
        zone: ZoneInfo,
        on_outcome: Callable[[Outcome], None],
        told: Iterable[Told] = (),
        send: Sender = send_by_apprise,
        clock: Callable[[], float] = time.monotonic,
        deadline_s: float = DEADLINE_S,
        waits_s: Sequence[float] = WAITS_S,
        queue_max: int = QUEUE_MAX,
    ) -> None:
        self._garden = garden
        self._people = tuple(people)
        self._addresses = dict(addresses)
        self._zone = zone
        self._on_outcome = on_outcome
        self._told = set(told)
        self._send = send
        self._clock = clock
        self._deadline_s = deadline_s
        self._waits_s = tuple(waits_s)
        self._queue_max = queue_max
        self._queue: list[_Item] = []
        self._numbers = count()
        self._changed = Condition()
        self._leaving = False
        self._worker: Thread | None = None

    @property
    def waiting(self) -> int:
        """Messages neither taken nor given up."""
        with self._changed:
            return len(self._queue)

    def start(self) -> None:
        self._worker = Thread(target=self._run, name="alerts", daemon=True)
        self._worker.start()

    def stop(self, within_s: float = DEADLINE_S) -> int:
        """Ends the worker, after the send it is at; gives the number of messages left unsent."""
        with self._changed:
            self._leaving = True
            self._changed.notify_all()
        if self._worker is not None:
            self._worker.join(within_s)
        return self.waiting

    def deliver(self, alert: Alert) -> None:
        """Queues an alert for everybody whom it concerns. Returns at once and never raises."""
        try:
            for person in self._people:
                if alert.urgent or not person.urgent_only:
                    self._accept(alert, person)
        except Exception:
            _log.exception("an alert of kind %s could not be queued", alert.kind)

    def _accept(self, alert: Alert, person: Person) -> None:
        told = Told(person.name, alert.kind, alert.subject, alert.at.astimezone(self._zone).date())
        address = self._addresses.get(person.channel)
        if address is None:
            text = f"channel {person.channel!r} has no address; set {variable_name(person.channel)}"
            self._report(Outcome(alert, person.name, "no_address", 0, text))
            return
        now_s = self._clock()
        with self._changed:
            self._told = {t for t in self._told if t.day >= told.day - timedelta(days=1)}
            # An urgent alert comes only when its cause was over and is back: it is not the same news.
            known = told in self._told and not alert.urgent
            if not known:
                self._told.add(told)
                self._queue.append(
                    _Item(
                        alert,
                        person.name,
                        address,
                        message(alert, self._garden),
                        told,
                        next(self._numbers),
                        queued_s=now_s,
                        due_s=now_s,
                    )
                )
            overflow = self._overflowing()
            self._changed.notify_all()
        if known:
            self._report(Outcome(alert, person.name, "told_before", 0, "was told of this today"))
        if overflow is not None:
            self._close(overflow, "dropped", "too many messages are waiting")

    def _overflowing(self) -> _Item | None:
        """What must leave a queue that is too long: the oldest that is not urgent, else the newest."""
        if len(self._queue) <= self._queue_max:
            return None
        return next((i for i in self._queue if not i.alert.urgent and i.sending is None), self._queue[-1])

    def work(self) -> float | None:
        """Makes every attempt that is due; seconds until the next one, or None when none is waiting."""
        while (item := self._next_due()) is not None:
            self._attempt(item)
        with self._changed:
            dues = [i.due_s for i in self._queue]
        return max(0.0, min(dues) - self._clock()) if dues else None

    def _next_due(self) -> _Item | None:
        """Urgent ones first, then by age."""
        now_s = self._clock()
        with self._changed:
            due = [] if self._leaving else [i for i in self._queue if i.due_s <= now_s]
            return min(due, key=lambda i: (not i.alert.urgent, i.number), default=None)

    def _attempt(self, item: _Item) -> None:
        """One attempt; or, while an earlier one still hangs, a look whether it got through after all.

        So nobody is told twice because a server was slow to say yes.
        """
        sending = item.sending
        if sending is None:
            sending = _Sending()
            with self._changed:
                if item not in self._queue:
                    return  # dropped meanwhile
                item.sending = sending
            item.attempts += 1
            self._begin(item, sending)
            sending.done.wait(self._deadline_s)
        if sending.done.is_set():
            item.sending = None
            if sending.accepted:
                self._close(item, "told", "taken by the other side")
                return
            why = sending.why_not
        else:
            why = f"no answer within {self._deadline_s:g} s"
        now_s = self._clock()
        if now_s - item.queued_s >= GIVE_UP_S:
            self._close(item, "failed", why)
            return
        item.due_s = now_s + self._waits_s[min(item.attempts, len(self._waits_s)) - 1]

    def _begin(self, item: _Item, sending: _Sending) -> None:
        def work() -> None:
            try:
                sending.accepted = self._send(item.address, item.message)
                sending.why_not = "the other side did not take it"
            except AddressRefusedError:
                sending.why_not = "the address is of no kind that can be sent to"
            except Exception as error:  # its text may hold the address: only its kind is told
                sending.why_not = f"sending failed ({type(error).__name__})"
            finally:
                sending.done.set()

        Thread(target=work, name="alert", daemon=True).start()

    def _close(self, item: _Item, status: Status, text: str) -> None:
        with self._changed:
            if item not in self._queue:
                return  # closed before
            self._queue.remove(item)
            if status != "told":
                self._told.discard(item.told)  # who was not told may be told again today
        self._report(Outcome(item.alert, item.person, status, item.attempts, text))

    def _report(self, outcome: Outcome) -> None:
        try:
            self._on_outcome(outcome)
        except Exception:
            _log.exception("the outcome of an alert of kind %s could not be recorded", outcome.alert.kind)

    def _run(self) -> None:
        while True:
            wait_s = self.work()
            with self._changed:
                if self._leaving:
                    return
                if not any(i.due_s <= self._clock() for i in self._queue):
                    self._changed.wait(wait_s)
