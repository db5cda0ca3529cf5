"""The controller against whatever order of events Hypothesis finds: people, node, broker, clock and store.

The node here is a script that does what the order protocol lets it do. What is checked stands in the effects
alone, so that nothing of the controller vouches for itself.
"""

from __future__ import annotations

from dataclasses import replace

from hypothesis import settings as profile
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from scheduler.control.controller import step
from scheduler.control.effects import (
    Effect,
    RecordAnswer,
    RecordBooking,
    RecordIntent,
    RecordStop,
    SendClose,
    SendOrder,
)
from scheduler.control.events import Event, LinkChanged, StoreFailed, StoreRecovered, Tick
from scheduler.control.orders import EndReason, Order, Refusal, RefusalReason, ValvePosition
from tests.support.driving import Driver
from tests.support.gardens import small_garden

SITE = small_garden()
ZONES = tuple(z.id for z in SITE.zones)
CHANNELS = tuple(z.valve.channel for z in SITE.zones)


class Watched(Driver):
    """Looks at the effects of each step, and takes each step twice."""

    def __init__(self) -> None:
        self.intents: dict[str, Order] = {}
        self.booked: set[str] = set()
        self.sent: list[Order] = []
        self.stopped = False
        self.store_fails = False
        self.up = False
        self.asked: set[int] = set()
        super().__init__(SITE)
        self._see(self.effects)

    def feed(self, event: Event) -> list[Effect]:
        before, now = self.state, self.now
        made = super().feed(event)
        assert step(before, event, now)[1] == tuple(made)  # the same inputs give the same effects
        self._see(made)
        return made

    def _see(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, RecordIntent):
                self.intents[effect.intent.order.order_id] = effect.intent.order
            elif isinstance(effect, RecordStop):
                self.stopped = effect.stopped
            elif isinstance(effect, RecordBooking):
                order_id = effect.booking.order_id
                assert order_id in self.intents and order_id not in self.booked
                assert effect.booking.volume_l >= 0.0
                self.booked.add(order_id)
            elif isinstance(effect, SendOrder):
                self._see_order(effect.order)

    def _see_order(self, order: Order) -> None:
        assert self.intents.get(order.order_id) == order  # written down first
        assert order.order_id not in {o.order_id for o in self.sent}
        assert 0 < order.open_ms <= SITE.node.longest_open_s * 1000
        assert order.session == self.node.session and order.sequence > self.node.last_sequence
        assert not self.stopped and not self.store_fails and self.up
        open_now = [p for p, _ in self.node.positions.values() if p != "closed"]
        assert not open_now, "an order although a valve is not shut"
        unbooked = set(self.intents) - self.booked
        assert unbooked == {order.order_id}, "an order before the last is booked"
        self.sent.append(order)


class Controller(RuleBasedStateMachine):
    @initialize(dry=st.booleans())
    def begin(self, dry: bool) -> None:
        self.d = Watched()
        self.d.up = True
        self.d.ready()
        if dry:
            self.d.dry_out()

    @rule(seconds=st.sampled_from((1.0, 12.0, 70.0, 900.0, 7200.0)), speaking=st.booleans())
    def wait(self, seconds: float, speaking: bool) -> None:
        self.d.wait(seconds, every_s=max(1.0, seconds / 6.0), speaking=speaking and self.d.up)

    @rule(zone=st.sampled_from(ZONES), litres=st.sampled_from((1.0, 8.0, 40.0)))
    def ask_for_water(self, zone: str, litres: float) -> None:
        self.d.ask("water", zone, litres)

    @rule()
    def stop(self) -> None:
        assert SendClose(None) in self.d.ask("stop")
        assert self.d.stopped

    @rule()
    def resume(self) -> None:
        self.d.ask("resume")
        assert not self.d.stopped

    @rule(litres=st.sampled_from((5.0, 100.0)), kind=st.sampled_from(("took", "topped_up")))
    def tell(self, litres: float, kind: str) -> None:
        self.d.ask(kind, None, litres)

    @precondition(lambda self: self.d.sent)
    @rule(position=st.sampled_from(("opening", "open", "closing")))
    def node_takes_it(self, position: ValvePosition) -> None:
        order = self.d.sent[-1]
        if order.session == self.d.node.session and order.sequence > self.d.node.last_sequence:
            self.d.node.opens(order, position)
            self.d.hear()

    @precondition(lambda self: self.d.sent)
    @rule(
        why=st.sampled_from(("time_up", "asked", "low_level", "low_supply", "fault", "restart")),
        share=st.sampled_from((0.0, 0.4, 1.0)),
        told_twice=st.booleans(),
    )
    def node_ends_it(self, why: EndReason, share: float, told_twice: bool) -> None:
        order = self.d.sent[-1]
        self.d.node.ends(order, open_ms=round(order.open_ms * share), why=why)
        said = self.d.node.says(self.d.now)
        self.d.feed(said)
        if told_twice:
            self.d.feed(replace(said, uptime_ms=said.uptime_ms + 1))

    @precondition(lambda self: self.d.sent)
    @rule(why=st.sampled_from(("busy", "too_late", "daily_cap", "old_session", "used_order")))
    def node_refuses(self, why: RefusalReason) -> None:
        self.d.hear(refusals=(Refusal(why, self.d.sent[-1].order_id),))

    @rule(channel=st.sampled_from(CHANNELS), position=st.sampled_from(("open", "fault", "unknown")))
    def valve_strays(self, channel: int, position: ValvePosition) -> None:
        self.d.node.positions[channel] = (position, None)
        assert SendClose(None) in self.d.wait(3600.0, every_s=600.0)

    @rule()
    def valves_are_shut(self) -> None:
        self.d.node.positions.clear()
        self.d.hear()

    @rule(n=st.integers(0, 1 << 30))
    def node_restarts(self, n: int) -> None:
        self.d.node.reboots(self.d.mono_s)
        self.d.node.session = f"{n:016x}"
        self.d.mono_s += 2.0
        self.d.hear()

    @rule()
    def broker_is_lost_and_found(self) -> None:
        self.d.up = not self.d.up
        self.d.feed(LinkChanged(self.d.up))

    @rule()
    def store_fails_and_recovers(self) -> None:
        self.d.store_fails = not self.d.store_fails
        self.d.feed(StoreFailed("full") if self.d.store_fails else StoreRecovered())

    @rule(hours=st.sampled_from((-30, 5)), trusted=st.booleans())
    def clock_is_moved(self, hours: int, trusted: bool) -> None:
        self.d.trust = "synced" if trusted else "unknown"
        self.d.start = self.d.start.fromtimestamp(
            self.d.start.timestamp() + 3600 * hours, tz=self.d.start.tzinfo
        )
        self.d.feed(Tick())

    @invariant()
    def what_it_remembers_is_bounded(self) -> None:
        if not hasattr(self, "d"):
            return
        state = self.d.state
        assert len(state.intents) <= 1 and len(state.refused_mono_s) <= 50 and len(state.declined) <= 50
        assert len(state.draws) <= 20 and len(state.broke_mono_s) <= 10 and len(state.booked) <= 500

    def teardown(self) -> None:
        """Left in peace, with everything shut, every order is booked and every request answered."""
        if not hasattr(self, "d"):
            return
        d = self.d
        d.node.positions.clear()
        d.trust, d.up, d.store_fails = "synced", True, False
        d.feed(LinkChanged(True))
        d.feed(StoreRecovered())
        d.ask("stop")
        d.wait(3 * 3600.0, every_s=300.0)
        assert set(d.intents) == d.booked
        answered = {e.request_id for e in d.all(RecordAnswer)}
        assert answered == set(range(1, max(answered) + 1))


TestController = Controller.TestCase
TestController.settings = profile(max_examples=12, stateful_step_count=20, deadline=None, derandomize=True)
