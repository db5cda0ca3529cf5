"""The controller's shell in virtual time: the same ``begin`` and ``step`` as the daemon's, time by leaps."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.clock import Now
from scheduler.control.controller import Saved, begin, step
from scheduler.control.effects import (
    Alert,
    Booking,
    Effect,
    FetchWeather,
    Intent,
    Note,
    RaiseAlert,
    RecordBooking,
    RecordChoice,
    RecordDay,
    RecordIntent,
    RecordLearning,
    RecordPlan,
    RecordReading,
    SendAsk,
    SendClose,
    SendOrder,
    SendReceipt,
    WakeAt,
)
from scheduler.control.events import Event, LinkChanged, Tick, WeatherArrived
from scheduler.control.orders import Order
from scheduler.planning.choices import DEFAULT_WAY, Way
from scheduler.planning.plan import Plan
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.node_model import VirtualNode
from scheduler.sensing.flow import commissioned_flow
from scheduler.site.model import Site
from scheduler.weather.forecast_error import degraded

# Past days that a forecast service gives along with the coming ones.
PAST_DAYS = 14
COMING_DAYS = 8
# More than this many events in one virtual minute is a loop that stands still: a defect, not a garden.
EVENTS_PER_MINUTE_MAX = 2000


class StandstillError(RuntimeError):
    """The controller and its shell keep each other busy while no time passes."""


@dataclass(slots=True)
class Log:
    """What the controller asked to be recorded or done, in order."""

    plans: list[Plan] = field(default_factory=list)
    intents: list[Intent] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    bookings: list[Booking] = field(default_factory=list)
    alerts: list[Alert] = field(default_factory=list)
    learned: list[RecordLearning] = field(default_factory=list)
    root_days: list[RecordDay] = field(default_factory=list)
    notes: list[tuple[datetime, str]] = field(default_factory=list)
    sequence: list[tuple[str, str]] = field(default_factory=list)  # ("intent" | "order", order id)


def commissioned(site: Site, at: datetime, way: Way = DEFAULT_WAY) -> Saved:
    """What a store holds when a garden has been commissioned and nothing has run yet; ``way``: how a short
    store is to be spent."""
    chosen = () if way == DEFAULT_WAY else (RecordChoice("ration", way, "rehearsal", at),)
    return Saved(flow_factors=tuple((z.id, commissioned_flow(z, at)) for z in site.zones), choices=chosen)


class VirtualShell:
    """One controller, one node, one garden, one forecast; ``run_to`` lets time pass."""

    def __init__(
        self,
        site: Site,
        garden: TrueGarden,
        node: VirtualNode,
        days: Sequence[DayWeather],
        seed: int,
        way: Way = DEFAULT_WAY,
    ) -> None:
        self.site = site
        self.garden = garden
        self.node = node
        self.log = Log()
        # While the node holds a valve open its reports drive everything; the controller's own looks between
        # them are thinned to the same pace.
        self.poll_s = node.open_report_s
        self.events = 0
        self._days = tuple(sorted(days, key=lambda d: d.day))
        self._seed = seed
        self._wake_s = 0.0
        self._pending: deque[Event] = deque()
        self._minute = (0, 0)
        self.state, effects = begin(site, commissioned(site, self.garden.clock, way), self._now())
        self._carry_out(effects)
        self.feed(LinkChanged(connected=True))

    def run_to(self, instant: datetime) -> None:
        """Let time pass until ``instant``."""
        end_s = (instant - self.garden.origin).total_seconds()
        while True:
            node_s = (self.node.next_at() - self.garden.origin).total_seconds()
            next_s = max(self.garden.now_s, min(node_s, self._wake_s))
            if next_s > end_s:
                break
            self._guard(next_s)
            self.garden.advance(self.garden.origin + timedelta(seconds=next_s))
            # The node first: what it says makes most wake-ups of the same instant needless.
            self._let_node_act()
            if self._wake_s <= self.garden.now_s + 1e-6:
                self._wake_s = self.garden.now_s + 3600.0
                self.feed(Tick())
        self.garden.advance(instant)

    def feed(self, event: Event) -> None:
        """One event into the controller, its effects carried out, and what these bring about."""
        self._pending.append(event)
        while self._pending:
            self.state, effects = step(self.state, self._pending.popleft(), self._now())
            self.events += 1
            self._carry_out(effects)

    def _now(self) -> Now:
        return Now(wall=self.garden.clock, monotonic_s=self.garden.now_s)

    def _guard(self, at_s: float) -> None:
        minute = int(at_s // 60.0)
        count = self._minute[1] + 1 if minute == self._minute[0] else 0
        self._minute = (minute, count)
        if count > EVENTS_PER_MINUTE_MAX:
            raise StandstillError(f"{count} events at {self.garden.clock}: nothing moves on")

    def _let_node_act(self) -> None:
        if self.node.next_at() <= self.garden.clock:
            heard = self.node.act()
            if heard is not None:
                self.feed(heard)

    def _carry_out(self, effects: Sequence[Effect]) -> None:
        for effect in effects:
            self._record(effect)
            match effect:
                case WakeAt(in_s):
                    least_s = self.poll_s if self.node.holds_open() else 0.001
                    self._wake_s = self.garden.now_s + max(in_s, least_s)
                case SendOrder(order):
                    self.node.order(order)
                case SendClose(channel):
                    self.node.close(channel)
                case SendAsk():
                    self.node.ask()
                case SendReceipt(order_ids):
                    self.node.receipt(order_ids)
                case FetchWeather():
                    self._pending.append(WeatherArrived(self._forecast()))
                case _:
                    pass

    def _record(self, effect: Effect) -> None:
        match effect:
            case WakeAt() | RecordReading():  # at nearly every step
                pass
            case RecordIntent(intent):
                self.log.intents.append(intent)
                self.log.sequence.append(("intent", intent.order.order_id))
            case SendOrder(order):
                self.log.orders.append(order)
                self.log.sequence.append(("order", order.order_id))
            case RecordBooking(booking):
                self.log.bookings.append(booking)
            case RecordPlan(plan):
                self.log.plans.append(plan)
            case RaiseAlert(alert):
                self.log.alerts.append(alert)
            case RecordLearning():
                self.log.learned.append(effect)
            case RecordDay():
                self.log.root_days.append(effect)
            case Note(text):
                self.log.notes.append((self.garden.clock, text))
            case _:
                pass

    def _forecast(self) -> Outlook:
        today = self.today()
        window = [d for d in self._days if -PAST_DAYS <= (d.day - today).days < COMING_DAYS]
        return degraded(window, today, self._seed, coming_days=COMING_DAYS, fetched_at=self.garden.clock)

    def today(self) -> date:
        return self.garden.clock.astimezone(self.site.place.timezone).date()
