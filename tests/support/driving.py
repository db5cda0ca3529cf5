"""A hand on the controller: time, a scripted node that keeps the order protocol, and a log of effects."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import count
from typing import TypeVar

from scheduler.agronomy.weather import Outlook
from scheduler.control.clock import ClockTrust, Now
from scheduler.control.controller import Saved, State, begin, step
from scheduler.control.effects import Effect, SendClose, SendOrder, SendReceipt
from scheduler.control.events import Event, LinkChanged, NodeHeard, Request, RequestMade, Tick, WeatherArrived
from scheduler.control.orders import EndReason, Order, Refusal, RunOutcome, ValvePosition, ValveStatus
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.sensing.belief import LevelReading
from scheduler.sensing.level import raw_at_level
from scheduler.site.model import Site
from tests.support.gardens import dry_days

T = TypeVar("T")
START = datetime(2012, 7, 20, 11, 0, tzinfo=UTC)  # 04:00 in the garden


@lru_cache
def _model(site: Site) -> GardenModel:
    return garden_model(site)


@dataclass
class ScriptedNode:
    """Says what the test tells it to say, with its own session, uptime and sequence."""

    site: Site
    session: str = "aaaaaaaaaaaaaaaa"
    booted_at_s: float = -3600.0
    last_sequence: int = 0
    positions: dict[int, tuple[ValvePosition, str | None]] = field(default_factory=dict)
    outcomes: list[RunOutcome] = field(default_factory=list)
    level_m: float | None = 0.6
    ripple: int = 2

    def says(self, now: Now, *, refusals: tuple[Refusal, ...] = ()) -> NodeHeard:
        reading = None
        if self.level_m is not None:
            raw, _ = raw_at_level(self.site, self.level_m, 20.0)
            self.ripple = -self.ripple  # a sensor that repeats itself to the count is stuck
            reading = LevelReading(now.wall, (raw + self.ripple,) * 3, 20.0)
        channels = [z.valve.channel for z in self.site.zones]
        return NodeHeard(
            node=self.site.node.id,
            session=self.session,
            uptime_ms=int((now.monotonic_s - self.booted_at_s) * 1000),
            last_sequence=self.last_sequence,
            valves=tuple(ValveStatus(c, *self.positions.get(c, ("closed", None))) for c in channels),
            outcomes=tuple(self.outcomes),
            refusals=refusals,
            supply_mv=12600,
            reading=reading,
        )

    def opens(self, order: Order, position: ValvePosition = "open") -> None:
        self.last_sequence = order.sequence
        self.positions[order.channel] = (position, order.order_id)

    def ends(self, order: Order, *, open_ms: int | None = None, why: EndReason = "time_up") -> None:
        self.positions.pop(order.channel, None)
        self.last_sequence = order.sequence
        ran = order.open_ms if open_ms is None else open_ms
        self.outcomes.append(RunOutcome(order.order_id, order.channel, ran, ran, why))

    def reboots(self, now_s: float) -> None:
        self.session = "bbbbbbbbbbbbbbbb"
        self.booted_at_s = now_s
        self.last_sequence = 0
        self.positions.clear()


class Driver:
    """Feeds events, keeps every effect, honours receipts."""

    def __init__(
        self,
        site: Site,
        saved: Saved | None = None,
        *,
        start: datetime = START,
        trust: ClockTrust = "synced",
    ) -> None:
        self.site = site
        self.node = ScriptedNode(site)
        self.start = start
        self.mono_s = 0.0
        self.trust: ClockTrust = trust
        self.effects: list[Effect] = []
        self.state: State
        self.state, effects = begin(site, saved or Saved(), self.now, _model(site))
        self.effects.extend(effects)
        self._requests = count(1)

    @property
    def now(self) -> Now:
        return Now(self.start + timedelta(seconds=self.mono_s), self.mono_s, self.trust)

    def feed(self, event: Event) -> list[Effect]:
        self.state, effects = step(self.state, event, self.now)
        self.effects.extend(effects)
        for effect in effects:
            if isinstance(effect, SendReceipt):
                self.node.outcomes = [o for o in self.node.outcomes if o.order_id not in effect.order_ids]
        return list(effects)

    def hear(self, **said: tuple[Refusal, ...]) -> list[Effect]:
        return self.feed(self.node.says(self.now, **said))

    def wait(self, seconds: float, *, every_s: float = 300.0, speaking: bool = True) -> list[Effect]:
        """Let time pass; the node speaks (or not) and the clock ticks at each step."""
        found: list[Effect] = []
        end = self.mono_s + seconds
        while self.mono_s < end:
            self.mono_s = min(end, self.mono_s + every_s)
            found += self.hear() if speaking else self.feed(Tick())
        return found

    def ready(self) -> None:
        """Connected, node heard, weather known, soils dry: the next window will want water."""
        self.feed(LinkChanged(True))
        day = self.now.wall.astimezone(self.site.place.timezone).date()
        self.feed(WeatherArrived(Outlook(dry_days(day - timedelta(days=14), 21), "test", self.now.wall)))
        self.hear()

    def dry_out(self, depletion_mm: float = 25.0) -> None:
        zones = tuple(replace(z, depletion_mm=depletion_mm) for z in self.state.zones_now)
        self.state = replace(self.state, zones_now=zones, base_zones=zones, plan_key=None)

    def ask(self, kind: str, subject: str | None = None, amount: float | None = None) -> list[Effect]:
        request = Request(next(self._requests), self.now.wall, "gardener", kind, subject, amount)  # type: ignore[arg-type]
        return self.feed(RequestMade(request))

    def run_of(self, zone: str, asked_l: float, gives: float) -> None:
        """A run that a person asks for, in which the zone gives ``gives`` times the litres asked."""
        self.ask("water", zone, asked_l)
        order = self.orders()[-1]
        self.node.opens(order)
        stage, steps = self.state.model.stage, 20
        for _ in range(steps):
            assert self.node.level_m is not None
            left_l = stage.volume_l(self.node.level_m) - gives * asked_l / steps
            self.node.level_m = stage.level_m(left_l)
            self.wait(order.open_ms / 1000 / steps, every_s=60.0)
        self.node.ends(order)
        self.hear()

    def orders(self) -> list[Order]:
        return [e.order for e in self.effects if isinstance(e, SendOrder)]

    def closes(self) -> list[SendClose]:
        return self.all(SendClose)

    def all(self, kind: type[T]) -> list[T]:
        return [e for e in self.effects if isinstance(e, kind)]

    def to_first_order(self) -> Order:
        """Wait for the window and its first order."""
        self.ready()
        self.dry_out()
        for _ in range(40):
            self.wait(300)
            if self.orders():
                return self.orders()[0]
        raise AssertionError("no order came")
