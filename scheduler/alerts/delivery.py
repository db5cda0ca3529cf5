"""Tells people: a bounded queue, one worker, a deadline for each send, retries, and once a day at most. When
each message may go is for ``pacing`` to say.

Nothing here raises into the caller or holds it up, and no outcome holds an address. The queue lives in
memory: after a restart the service hands over again what has no outcome in its store.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import count
from threading import Condition, Thread
from typing import Literal
from zoneinfo import ZoneInfo

from scheduler.alerts.addresses import Address, variable_name
from scheduler.alerts.message import HEADINGS, Message, as_of, digest
from scheduler.alerts.pacing import Pacing
from scheduler.alerts.sending import Sender, send_by_apprise
from scheduler.alerts.standing import Standing
from scheduler.alerts.waiting import Item, Sending, Told, begin
from scheduler.control.effects import Alert, AlertKind
from scheduler.site.model import Person

Status = Literal["told", "failed", "dropped", "no_address", "told_before", "over", "explained"]

DEADLINE_S = 10.0
# Between attempts; the last one repeats until the message is too old to be of use.
WAITS_S = (30.0, 60.0, 240.0, 900.0, 3600.0)
GIVE_UP_S = 24 * 3600.0
QUEUE_MAX = 100
# After so many vain attempts, some minutes, the others are told that a channel is dead.
DEAD_ATTEMPTS = 3
# What waits for an hour of the day is looked at so often, for the clock may be set.
HELD_LOOK_S = 300.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of telling one person of one alert. ``text`` is for people."""

    alert: Alert
    person: str
    status: Status
    attempts: int
    text: str


class Deliverer:
    """Hand alerts to ``deliver``; outcomes come back through ``on_outcome`` from the worker's thread.

    ``clock`` is monotonic, in seconds. ``told`` is what people were told already, today or of ``standing``:
    what was raised and is not over. Either ``start`` the worker, or call ``work`` oneself.
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
        pacing: Pacing | None = None,
        standing: Iterable[Alert] = (),
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
        self._pacing = pacing  # None: everything at once
        self._standing = Standing(standing, ((t.person, t.kind, t.subject) for t in self._told))
        self._away: bool | None = None  # as last looked at; None: not yet
        self._queue: list[Item] = []
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
            with self._changed:
                self._standing.raised(alert)
            for person in self._people:
                if self._meant_for(alert, person):
                    self._accept(alert, person)
        except Exception:
            _log.exception("an alert of kind %s could not be queued", alert.kind)

    def over(self, kind: AlertKind, subject: str) -> None:
        """It does not stand any more: who was not told yet need not be, unless it was urgent."""
        with self._changed:
            self._standing.over(kind, subject)
            gone = [
                i
                for i in self._queue
                if (i.alert.kind, i.alert.subject) == (kind, subject) and i.fresh and not i.alert.urgent
            ]
        for item in gone:
            self._close(item, "over", "it was over before it was sent")

    def _meant_for(self, alert: Alert, person: Person) -> bool:
        if self._pacing is not None:
            return self._pacing.meant_for(alert, person)
        return alert.urgent or not person.urgent_only

    def _accept(self, alert: Alert, person: Person) -> None:
        told = Told(person.name, alert.kind, alert.subject, alert.at.astimezone(self._zone).date())
        address = self._addresses.get(person.channel)
        if address is None:
            text = f"channel {person.channel!r} has no address; set {variable_name(person.channel)}"
            self._report(Outcome(alert, person.name, "no_address", 0, text))
            self._tell_the_others(alert, person, "it has no address")
            return
        now_s = self._clock()
        with self._changed:
            older = self._waiting_like(alert, person)
        if older is not None:
            self._close(older, "told_before", "newer news of the same takes its place")
        with self._changed:
            self._told = {t for t in self._told if t.day >= told.day - timedelta(days=1)}
            # An urgent alert comes only when its cause was over and is back: it is not the same news.
            known = told in self._told and not alert.urgent
            if not known:
                self._told.add(told)
                item = Item(
                    alert, person, address, told, next(self._numbers), since=self._wall(), due_s=now_s
                )
                self._queue.append(item)
            else:
                self._standing.told(person.name, alert)
            overflow = self._overflowing()
            self._changed.notify_all()
        if known:
            self._report(Outcome(alert, person.name, "told_before", 0, "was told of this today"))
        if overflow is not None:
            self._close(overflow, "dropped", "too many messages are waiting")

    def _waiting_like(self, alert: Alert, person: Person) -> Item | None:
        """What waits for the same person and is of the same thing; urgent news is never the same."""
        if alert.urgent:
            return None
        return next(
            (
                i
                for i in self._queue
                if i.fresh
                and i.person == person
                and (i.alert.kind, i.alert.subject) == (alert.kind, alert.subject)
            ),
            None,
        )

    def _wall(self) -> datetime:
        return self._pacing.wall() if self._pacing is not None else datetime.now(UTC)

    def _tell_the_others(self, alert: Alert, person: Person, why: str) -> None:
        """That a channel is dead, through every other one; of that news nothing more is made."""
        if alert.kind == "channel_dead":
            return
        text = (
            f"{self._garden}: messages to {person.name} do not get through ({why}). The one that waits: "
            f"{HEADINGS[alert.kind]}."
        )
        advice = f"Look at the address of channel {person.channel} and at the network of the Pi."
        news = Alert("channel_dead", person.channel, text, advice, alert.urgent, self._wall())
        for other in self._people:
            if other.channel != person.channel and self._meant_for(news, other):
                known = any(
                    (t.person, t.kind, t.subject) == (other.name, news.kind, news.subject) for t in self._told
                )
                if not known:
                    self._accept(news, other)

    def _overflowing(self) -> Item | None:
        """What must leave a queue that is too long: the oldest that is not urgent, else the newest."""
        if len(self._queue) <= self._queue_max:
            return None
        return next((i for i in self._queue if not i.alert.urgent and i.sending is None), self._queue[-1])

    def work(self) -> float | None:
        """Makes every attempt that is due; seconds until the next one, or None when none is waiting."""
        self._tell_helpers()
        while (item := self._next_due()) is not None:
            self._attempt(item)
        self._drop_explained()
        return self._until_next_s()

    def _until_next_s(self) -> float | None:
        with self._changed:
            waits = [self._wait_s(i) for i in self._queue if not i.with_another]
        if self._pacing is not None and any(p.while_away for p in self._people):
            waits.append(HELD_LOOK_S)  # the household may leave
        return min(waits, default=None)

    def _wait_s(self, item: Item) -> float:
        left_s = max(0.0, item.due_s - self._clock())
        return left_s if item.attempts or self._may_go(item) else max(left_s, HELD_LOOK_S)

    def _may_go(self, item: Item) -> bool:
        if self._pacing is None:
            return True
        return not self._is_explained(item) and self._pacing.may_go(item.alert, item.person, item.since)

    def _is_explained(self, item: Item) -> bool:
        """By something that stands: then it waits, for that may end before anybody was told of it."""
        return not item.alert.urgent and self._standing.explains(item.alert.kind)

    def _drop_explained(self) -> None:
        """What was held back so long that its cause came out, and was told to the same person."""
        with self._changed:
            gone = [
                i
                for i in self._queue
                if i.fresh
                and not i.alert.urgent
                and self._pacing is not None
                and self._standing.cause_known(i.person.name, i.alert.kind)
            ]
        for item in gone:
            self._close(item, "explained", "another message tells the cause")

    def _tell_helpers(self) -> None:
        """When the household leaves, what stands already, to those who are told only while it is away. After
        a restart only what they do not know yet."""
        if self._pacing is None:
            return
        before, self._away = self._away, self._pacing.away()
        if not self._away or before:
            return
        with self._changed:
            standing = [
                (alert, person)
                for person in self._people
                for alert in self._standing.alerts
                if person.while_away
                and not any((i.alert, i.person) == (alert, person) for i in self._queue)
                and not (before is None and self._standing.knows(person.name, alert))
            ]
        for alert, person in standing:
            if self._meant_for(alert, person):
                self._accept(alert, person)

    def _next_due(self) -> Item | None:
        """Urgent ones first, then by age; with the first of a person goes whatever else may wait for him."""
        now_s = self._clock()
        with self._changed:
            if self._leaving:
                return None
            due = [
                i
                for i in self._queue
                if not i.with_another and i.due_s <= now_s and (i.attempts or self._may_go(i))
            ]
            item = min(due, key=lambda i: (not i.alert.urgent, i.number), default=None)
            if item is not None and item.fresh and not item.alert.urgent and self._pacing is not None:
                item.party = tuple(i for i in self._queue if i is not item and self._goes_with(i, item))
                for other in item.party:
                    other.with_another = True
            return item

    def _goes_with(self, other: Item, item: Item) -> bool:
        """Also what would have waited for the day's message; not what a person put off."""
        fresh = other.fresh and other.person == item.person and not other.alert.urgent
        held = self._pacing is None or self._pacing.put_off(other.alert) or self._is_explained(other)
        return fresh and not held

    def _attempt(self, item: Item) -> None:
        """One attempt; or, while an earlier one still hangs, a look whether it got through after all.

        So nobody is told twice because a server was slow to say yes.
        """
        sending = item.sending
        if sending is None:
            sending = Sending()
            with self._changed:
                if item not in self._queue:
                    return  # dropped meanwhile
                item.sending = sending
            if item.attempts == 0:
                item.first_s = self._clock()
            item.attempts += 1
            begin(sending, self._send, item.address, self._text(item))
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
        if now_s - item.first_s >= GIVE_UP_S:
            self._close(item, "failed", why)
            return
        if item.attempts == DEAD_ATTEMPTS:
            self._tell_the_others(item.alert, item.person, why)
        item.due_s = now_s + self._waits_s[min(item.attempts, len(self._waits_s)) - 1]

    def _text(self, item: Item) -> Message:
        today = self._wall().astimezone(self._zone).date()
        told = [as_of(i.alert, self._garden, self._zone, today) for i in (item, *item.party)]
        return digest(told, self._garden)

    def _close(self, item: Item, status: Status, text: str) -> None:
        with self._changed:
            closed = [i for i in (item, *item.party) if i in self._queue]  # else closed before
            for one in closed:
                self._queue.remove(one)
                if status == "told":
                    self._standing.told(one.person.name, one.alert)
                else:
                    self._told.discard(one.told)  # who was not told may be told again today
        for one in closed:
            self._report(Outcome(one.alert, one.person.name, status, item.attempts, text))

    def _report(self, outcome: Outcome) -> None:
        try:
            self._on_outcome(outcome)
        except Exception:
            _log.exception("the outcome of an alert of kind %s could not be recorded", outcome.alert.kind)

    def _run(self) -> None:
        while True:
            self.work()
            with self._changed:
                if self._leaving:
                    return
                wait_s = self._until_next_s()  # anew: something may have come meanwhile
                if wait_s is None or wait_s > 0.0:
                    self._changed.wait(wait_s)
