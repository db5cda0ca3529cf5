"""The shell around the controller: hands it events and carries out its effects, strictly in their order.

Four rules: an opening order or a receipt goes out only when every record before it is durable; when the
store fails both are dropped and closes still go out; what could not be written is kept and written later;
a close waits for nothing.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from scheduler.control.clock import Now
from scheduler.control.controller import State, begin, step
from scheduler.control.effects import (
    Alert,
    AlertKind,
    ClearAlert,
    Effect,
    FetchWeather,
    Note,
    RaiseAlert,
    Record,
    RecordChoice,
    RecordReading,
    SendAsk,
    SendClose,
    SendOrder,
    SendReceipt,
    WakeAt,
)
from scheduler.control.events import (
    Event,
    NodeHeard,
    Request,
    RequestMade,
    StoreFailed,
    StoreRecovered,
    WeatherArrived,
)
from scheduler.planning.past_years import PastWeather
from scheduler.service.boundaries import Boundaries, Boundary
from scheduler.service.clock import Clock
from scheduler.service.keeping import Keeping
from scheduler.service.tested import TestedGarden, begun_from_tests, garden_as_tested, news
from scheduler.site.errors import FallingheadError, StoreError
from scheduler.site.model import Site
from scheduler.store.store import Store

Send = SendOrder | SendClose | SendAsk | SendReceipt

# Gathered readings are written so often. Measured here: a commit of them dirties some 25 kB however few they
# are (the log and its index in shared memory); every 10 minutes that is 3.5 MB a day.
FLUSH_S = 1800.0
# A store that failed is tried again after this.
RETRY_S = 10.0

log = logging.getLogger("fallinghead")


class Link(Protocol):
    def send(self, effect: Send) -> None: ...
    def publish_alert(self, alert: Alert, *, cleared: bool = False) -> None: ...


class Alerts(Protocol):
    def deliver(self, alert: Alert) -> None: ...
    def over(self, kind: AlertKind, subject: str) -> None: ...


class Weather(Protocol):
    def ask(self) -> None:
        """Begin to fetch; the answer comes as an event. Returns at once."""
        ...


class Shell:
    """One garden's controller with its store, link, weather and alerts. Used from one thread only.

    ``wake`` is given the seconds, of ``clock``, after which a Tick is wanted; a newer one replaces it.
    ``past`` is asked once, at the start: the weather of this place as far as it is known. ``around`` is
    entered for each event: a practice lets no time pass meanwhile.
    """

    def __init__(
        self,
        site: Site,
        store: Store,
        link: Link,
        weather: Weather,
        alerts: Alerts,
        clock: Clock,
        *,
        wake: Callable[[float], None] = lambda _: None,
        boundaries: Boundaries | None = None,
        boot: str = "",
        saved: Callable[[datetime], None] = lambda _: None,
        past: Callable[[], PastWeather | None] = lambda: None,
        around: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._site = site
        self._store = store
        self._link = link
        self._weather = weather
        self._alerts = alerts
        self._clock = clock
        self._wake = wake
        self._at = boundaries or Boundaries()
        self._past = past
        self._around = around
        self._keeping = Keeping(store, self._at, boot=boot, saved=saved)
        self._inbox: deque[Event] = deque()
        self._state: State | None = None
        self._tested = TestedGarden(site, (), None, 0)
        self._handed: frozenset[int] = frozenset()
        self._raised: dict[tuple[str, str], Alert] = {}
        self._retry_at_s = 0.0
        self._flushed_at_s = 0.0
        self.faults = 0  # steps that raised: defects of ours
        self.last_heard: NodeHeard | None = None

    @property
    def state(self) -> State:
        if self._state is None:
            raise RuntimeError("the shell has not been started")
        return self._state

    @property
    def choices(self) -> tuple[RecordChoice, ...] | None:
        """What people told that holds now, None before the start; from any thread."""
        return self._state.choices if self._state is not None else None

    @property
    def store_fault(self) -> str | None:
        return self._keeping.fault

    @property
    def all_shut(self) -> bool:
        """The node said so in the last state heard since this was last asked to be told anew."""
        heard = self.last_heard
        return heard is not None and all(valve.position == "closed" for valve in heard.valves)

    def start(self) -> None:
        """Restore from the store and take the first step. StoreError: it cannot be read."""
        now = self._clock.now()
        self._tested = garden_as_tested(self._site, self._store, now.wall)
        saved = self._store.load_saved(now.wall, self._site.place.timezone)
        saved = replace(saved, past=self._past())
        self._raised = {(a.kind, a.subject): a for a in self._store.open_alerts()}
        self._handed = frozenset(r.id for r in saved.requests)
        self._flushed_at_s = now.monotonic_s
        for request in saved.requests:
            self._read(request)
        self._state, effects = begin(self._tested.site, begun_from_tests(saved, self._tested), now)
        self._carry_out(effects, now)
        self._work_off()

    def handle(self, event: Event) -> None:
        """One event, and all that follows from it."""
        with self._around():
            self._inbox.append(event)
            self._work_off()

    def look_for_requests(self) -> None:
        """Hand over what people asked since the last look; cheap when nobody wrote to the store."""
        try:
            if not self._store.changed():
                return
            waiting = self._store.unanswered_requests()
            self._look_for_tests()
        except StoreError as error:
            log.error("Requests cannot be read: %s", error)
            return
        new = [r for r in waiting if r.id not in self._handed]
        self._handed = frozenset(r.id for r in waiting)
        # Stops go before all else that was asked beside them; stop and resume in the order asked, so that a
        # resume from before a stop does not undo it.
        for request in sorted(new, key=lambda r: (r.kind not in ("stop", "resume"), r.id)):
            self._read(request)
            self.handle(RequestMade(request))

    def _read(self, request: Request) -> None:
        self._at.reached("after_request")
        log.info("%s asks: %s%s", request.who, request.kind, _about(request.subject, request.amount))

    def _look_for_tests(self) -> None:
        """Plan with the garden as tested once a test was added. StoreError: the records cannot be read."""
        if self._store.test_count() == self._tested.records:
            return
        before, now = self._tested, self._clock.now().wall
        self._tested = garden_as_tested(self._site, self._store, now)
        log.info("A test was kept, %d in all: the garden is worked out anew.", self._tested.records)
        self.handle(news(before, self._tested))

    @property
    def needs_tending(self) -> bool:
        """Whether ``tend`` has anything to do now."""
        now_s = self._clock.now().monotonic_s
        if self._keeping.fault is not None:
            return now_s >= self._retry_at_s
        return self._keeping.due or now_s - self._flushed_at_s >= FLUSH_S or bool(self._inbox)

    def tend(self) -> None:
        """What the shell itself owes to time: flush gathered readings, try a failed store again."""
        if not self.needs_tending:
            return
        if self._keeping.fault is None:
            self.flush()
        else:
            self._retry_at_s = self._clock.now().monotonic_s + RETRY_S
            self._after(self._keeping.retry())
        self._work_off()

    def flush(self) -> None:
        """Write gathered readings and what else may be some minutes old."""
        now = self._clock.now()
        self._flushed_at_s = now.monotonic_s
        self._after(self._keeping.flush(now))

    # --- one event -----------------------------------------------------------------------------------

    def _work_off(self) -> None:
        while self._inbox:
            self._one(self._inbox.popleft())

    def _one(self, event: Event) -> None:
        now = self._clock.now()
        self._at.reached("before_step")
        self._note(event, now.wall)
        try:
            self._state, effects = step(self.state, event, now)
        except Exception:
            # A defect of ours. The state stands as it was; the order's own time closes the valve, and the
            # watchdog is not fed, so that a loop that cannot decide is started anew.
            self.faults += 1
            log.exception("the controller could not take %s", type(event).__name__)
            return
        self._at.reached("after_step")
        self._carry_out(effects, now)

    def _note(self, event: Event, at: datetime) -> None:
        if isinstance(event, NodeHeard):
            self.last_heard = event
            self._keeping.heard(event, at)
        elif isinstance(event, WeatherArrived):
            self._after(self._keeping.outlook(event.outlook))

    def _carry_out(self, effects: tuple[Effect, ...], now: Now) -> None:
        records: list[Record] = []
        for effect in effects:
            if isinstance(effect, WakeAt):
                self._wake(effect.in_s)
            elif isinstance(effect, (SendOrder, SendReceipt)):
                durable = self._keep(records)
                records = []
                if durable:
                    self._send(effect)
                elif isinstance(effect, SendOrder):
                    log.error("Order %s not sent: it could not be written down", effect.order.order_id)
            elif isinstance(effect, (SendClose, SendAsk)):
                self._send(effect)
            elif isinstance(effect, FetchWeather):
                self._weather.ask()
            elif isinstance(effect, Note):
                log.info("%s", effect.text)
            elif isinstance(effect, RecordReading):
                self._keeping.gather(effect)
            else:
                records.append(effect)
        self._keep(records)
        if self._keeping.due and self._keeping.fault is None:
            self._flushed_at_s = now.monotonic_s
            self._after(self._keeping.flush(now))

    def _keep(self, records: list[Record]) -> bool:
        """Make these durable; alerts among them are told whether or not that worked."""
        was = self._keeping.fault
        durable = self._keeping.write(records)
        if was is None:
            self._after(self._keeping.fault)
        for record in records:
            if isinstance(record, RaiseAlert):
                self._raise(record.alert)
            elif isinstance(record, ClearAlert):
                self._clear(record)
        return durable

    def _after(self, fault: str | None) -> None:
        """Tell the controller when the store begins to fail and when it holds again."""
        told = self._state is not None and self._state.store_fault is not None
        waiting = [type(e) for e in self._inbox]
        if fault is not None and not told and StoreFailed not in waiting:
            self._retry_at_s = self._clock.now().monotonic_s + RETRY_S
            log.error("%s", fault)
            self._inbox.append(StoreFailed(fault))
        elif fault is None and told and StoreRecovered not in waiting:
            log.info("The store can be written again; nothing that was waiting is lost.")
            self._inbox.append(StoreRecovered())

    def _raise(self, alert: Alert) -> None:
        self._raised[alert.kind, alert.subject] = alert
        log.warning("%s %s", alert.text, alert.advice)
        self._alerts.deliver(alert)
        self._publish(alert, cleared=False)

    def _clear(self, record: ClearAlert) -> None:
        alert = self._raised.pop((record.kind, record.subject), None)
        if alert is not None:
            log.info("Over: %s", alert.text)
            self._alerts.over(record.kind, record.subject)
            self._publish(alert, cleared=True)

    def _publish(self, alert: Alert, *, cleared: bool) -> None:
        try:
            self._link.publish_alert(alert, cleared=cleared)
        except FallingheadError as error:
            log.error("An alert could not be published: %s", error)

    def _send(self, effect: Send) -> None:
        before, after = _BOUNDARIES.get(type(effect), (None, None))
        if before is not None:
            self._at.reached(before)
        try:
            self._link.send(effect)
        except FallingheadError as error:
            log.error("Not sent: %s", error)
        if after is not None:
            self._at.reached(after)


_BOUNDARIES: dict[type[Send], tuple[Boundary, Boundary]] = {
    SendOrder: ("before_order", "after_order"),
    SendClose: ("before_close", "after_close"),
    SendReceipt: ("before_receipt", "after_receipt"),
}


def _about(subject: str | None, amount: float | None) -> str:
    said = f" {subject}" if subject is not None else ""
    return said if amount is None else f"{said} {amount:g}"
