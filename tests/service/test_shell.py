"""The shell's order of effects, with a scripted controller, a fake link and real SQLite."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.agronomy.weather import DayWeather
from scheduler.control.clock import Now
from scheduler.control.effects import (
    Alert,
    AlertKind,
    Booking,
    ClearAlert,
    Effect,
    Intent,
    Note,
    RaiseAlert,
    RecordBooking,
    RecordDay,
    RecordIntent,
    RecordReading,
    RecordStop,
    SendAsk,
    SendClose,
    SendOrder,
    SendReceipt,
    WakeAt,
)
from scheduler.control.events import (
    Event,
    GardenTested,
    NodeHeard,
    RequestMade,
    StoreFailed,
    StoreRecovered,
    Tick,
)
from scheduler.control.orders import Order, RunOutcome, ValveStatus
from scheduler.control.state import Saved
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.service import shell as shell_module
from scheduler.service.forecasts import StoredPast
from scheduler.service.shell import FLUSH_S, Shell
from scheduler.site.errors import LinkError, StoreError
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import WetWalk, site_mark

AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)
SITE = example_site("five-drums")


def order(n: int) -> Order:
    return Order("valves", "5e55", n, f"order-{n}", 0, 600_000, 90_000)


def intent(n: int) -> RecordIntent:
    return RecordIntent(Intent(order(n), "beds", AT, 0.9, (("fig", 6.0),), 6.0))


def booking(n: int) -> RecordBooking:
    outcome = RunOutcome(f"order-{n}", 0, 600_000, 600_000, "time_up")
    return RecordBooking(
        Booking(f"order-{n}", "beds", date(2026, 7, 3), AT, 600.0, outcome, (("fig", 6.0),), 6.0, 5.0, 7.0)
    )


def reading(n: int) -> RecordReading:
    at = AT + timedelta(minutes=5 * n)
    return RecordReading(LevelReading(at, (2915,)), LevelBelief("good", at, 0.9, 0.88, 0.92))


ALERT = Alert("near_empty", "", "Nearly empty.", "Fill it.", False, AT)


class HandClock:
    def __init__(self) -> None:
        self.s = 0.0

    def now(self) -> Now:
        return Now(AT + timedelta(seconds=self.s), self.s, "synced")

    def delay_s(self, virtual_s: float) -> float:
        return virtual_s


class BreakableStore(Store):
    """A real store whose writes can be made to fail as a full disk does."""

    broken = False
    log: list[Any]

    def write(self, records: Sequence[Any]) -> tuple[str, ...]:
        if self.broken:
            raise StoreError("The disk is full.")
        new = super().write(records)
        self.log.extend(records)
        return new

    def flush(self, *rest: Any) -> None:
        if self.broken:
            raise StoreError("The disk is full.")
        super().flush(*rest)


@dataclass
class World:
    """Everything that happened, in one list: durable records and messages in their order."""

    happened: list[Any] = field(default_factory=list)
    told: list[Alert] = field(default_factory=list)
    ended: list[tuple[str, str]] = field(default_factory=list)
    published: list[tuple[str, bool]] = field(default_factory=list)
    fetched: int = 0
    woken: list[float] = field(default_factory=list)
    link_broken: bool = False

    def send(self, effect: Any) -> None:
        if self.link_broken:
            raise LinkError("out of range")
        self.happened.append(effect)

    def publish_alert(self, alert: Alert, *, cleared: bool = False) -> None:
        self.published.append((alert.kind, cleared))

    def deliver(self, alert: Alert) -> None:
        self.told.append(alert)

    def over(self, kind: AlertKind, subject: str) -> None:
        self.ended.append((kind, subject))

    def ask(self) -> None:
        self.fetched += 1


@dataclass(frozen=True)
class FakeState:
    store_fault: str | None = None


class Script:
    """Stands in for the controller: answers each Tick with the next scripted effects, and notes events."""

    def __init__(self) -> None:
        self.effects: list[tuple[Effect, ...]] = []
        self.heard: list[Event] = []
        self.defect = False

    def step(self, state: FakeState, event: Event, now: Now) -> tuple[FakeState, tuple[Effect, ...]]:
        self.heard.append(event)
        if self.defect:
            raise RuntimeError("a defect")
        if isinstance(event, StoreFailed):
            return replace(state, store_fault=event.text), (RaiseAlert(ALERT),)
        if isinstance(event, StoreRecovered):
            return replace(state, store_fault=None), ()
        return state, self.effects.pop(0) if isinstance(event, Tick) and self.effects else ()


@dataclass
class Bench:
    shell: Shell
    store: BreakableStore
    world: World
    script: Script
    clock: HandClock

    def run(self, *effects: Effect) -> None:
        self.script.effects.append(effects)
        self.shell.handle(Tick())


def bench_on(url: str, monkeypatch: pytest.MonkeyPatch) -> Bench:
    world, script, clock = World(), Script(), HandClock()
    store = BreakableStore(url, "plot")
    store.log = world.happened
    monkeypatch.setattr(shell_module, "begin", lambda *_: (FakeState(), ()))
    monkeypatch.setattr(shell_module, "step", script.step)
    shell = Shell(SITE, store, world, world, world, clock, wake=world.woken.append)
    shell.start()
    return Bench(shell, store, world, script, clock)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    made = bench_on(store_url(tmp_path / "plot.db"), monkeypatch)
    yield made
    made.store.close()


# --- order of effects ---------------------------------------------------------------------------------


def test_an_intent_is_durable_before_its_order_is_sent(bench: Bench) -> None:
    bench.run(intent(1), SendOrder(order(1)))
    assert bench.world.happened == [intent(1), SendOrder(order(1))]


def test_a_booking_is_durable_before_its_receipt(bench: Bench) -> None:
    bench.run(booking(1), Note("6 L"), SendReceipt(("order-1",)))
    assert bench.world.happened == [booking(1), SendReceipt(("order-1",))]


def test_a_close_waits_for_no_disk(bench: Bench) -> None:
    bench.store.broken = True
    bench.run(SendClose(None), RecordStop(True, "Ines", AT))
    assert bench.world.happened == [SendClose(None)]


EFFECTS = st.one_of(
    st.integers(1, 5).map(lambda n: intent(n)),
    st.integers(1, 5).map(lambda n: SendOrder(order(n))),
    st.integers(1, 5).map(lambda n: booking(n)),
    st.integers(1, 5).map(lambda n: SendReceipt((f"order-{n}",))),
    st.just(SendClose(None)),
    st.just(SendAsk()),
    st.integers(0, 9).map(lambda n: reading(n)),
    st.just(RaiseAlert(ALERT)),
    st.just(Note("x")),
    st.just(WakeAt(5.0)),
)


@given(batches=st.lists(st.tuples(st.lists(EFFECTS, max_size=8), st.booleans()), max_size=6))
@settings(max_examples=50, deadline=None)
def test_no_order_or_receipt_ever_overtakes_a_record_and_every_close_goes_out(
    batches: list[tuple[list[Effect], bool]],
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        bench = bench_on("sqlite://", patch)
        records: list[Any] = []
        for effects, broken in batches:
            bench.store.broken = broken
            failing = bench.shell.store_fault is not None
            before = len(bench.world.happened)
            bench.run(*effects)
            happened = bench.world.happened[before:]
            closes = [e for e in effects if isinstance(e, SendClose | SendAsk)]
            assert [e for e in happened if isinstance(e, SendClose | SendAsk)] == closes
            durable = (RecordIntent, RecordBooking, RaiseAlert)
            first = next((i for i, e in enumerate(effects) if isinstance(e, durable)), len(effects))
            free = [] if failing else effects[:first] if broken else effects
            sent = [e for e in happened if isinstance(e, SendOrder | SendReceipt)]
            assert sent == [e for e in free if isinstance(e, SendOrder | SendReceipt)]
            done = before
            for message in sent:
                at = bench.world.happened.index(message, done)
                ahead = effects[: effects.index(message)]
                assert all(e in bench.world.happened[:at] for e in ahead if isinstance(e, durable))
                done = at + 1
            records += [e for e in effects if isinstance(e, RecordBooking)]
        bench.store.broken = False
        bench.clock.s += 1000.0
        bench.shell.tend()
        # Once the store can be written again nothing that happened is missing.
        booked = {b.order_id for b in bench.store.bookings_since(date(2026, 1, 1))}
        assert booked == {r.booking.order_id for r in records}
        bench.store.close()


# --- the store fails and recovers ---------------------------------------------------------------------


def test_a_failed_record_drops_the_order_behind_it_and_the_controller_is_told(bench: Bench) -> None:
    bench.store.broken = True
    bench.run(booking(1), intent(2), SendOrder(order(2)), SendReceipt(("order-1",)), SendClose(0))
    assert bench.world.happened == [SendClose(0)]
    assert [type(e) for e in bench.script.heard] == [Tick, StoreFailed]
    assert bench.world.told == [ALERT]  # what is wrong with the store is told although it cannot be kept
    bench.run(SendOrder(order(3)))
    assert SendOrder(order(3)) not in bench.world.happened


def test_what_waited_is_written_when_the_store_can_be_written_again(bench: Bench) -> None:
    bench.store.broken = True
    bench.run(booking(1), intent(2), SendOrder(order(2)))
    bench.run(RecordStop(True, "Ines", AT))
    bench.shell.tend()
    assert StoreRecovered() not in bench.script.heard
    bench.store.broken = False
    bench.clock.s += 60.0
    bench.shell.tend()
    assert bench.script.heard[-1] == StoreRecovered()
    assert len(bench.store.bookings_since(date(2026, 1, 1))) == 1
    stop = bench.store.stop_state()
    assert stop is not None and stop.stopped
    assert bench.store.open_intents() == ()  # its order never went out
    bench.run(intent(4), SendOrder(order(4)))
    assert bench.world.happened[-2:] == [intent(4), SendOrder(order(4))]


def test_a_message_that_cannot_be_made_does_not_end_the_service(bench: Bench) -> None:
    bench.world.link_broken = True
    bench.run(intent(1), SendOrder(order(1)), WakeAt(3.0))
    assert bench.world.woken == [3.0]


def test_a_defect_of_the_controller_changes_nothing_and_is_counted(bench: Bench) -> None:
    before = bench.shell.state
    bench.script.defect = True
    bench.shell.handle(Tick())
    assert bench.shell.state is before
    assert bench.shell.faults == 1


# --- readings, requests, alerts -----------------------------------------------------------------------


def test_readings_are_written_together(bench: Bench) -> None:
    for n in range(9):
        bench.run(reading(n))
    assert bench.store.readings_since(AT) == ()
    bench.run(reading(9))
    assert len(bench.store.readings_since(AT)) == 10
    bench.run(reading(10))
    bench.clock.s += FLUSH_S + 1.0
    bench.shell.tend()
    assert len(bench.store.readings_since(AT)) == 11


def test_a_valve_that_moves_is_kept_at_once(bench: Bench) -> None:
    shut = NodeHeard("valves", "5e55", 1, 0, (ValveStatus(0, "closed"),))
    bench.shell.handle(shut)
    bench.shell.handle(replace(shut, valves=(ValveStatus(0, "open"),)))
    (seen,) = bench.store.nodes_seen()
    assert seen.valves == ((0, "open"),)
    assert not bench.shell.all_shut


def test_each_request_is_handed_over_once_and_a_stop_first(bench: Bench) -> None:
    bench.shell.look_for_requests()
    with Store(bench.store.url, "plot", service=False) as command:
        command.add_request("water", "Ines", "fig", 3.0, AT)
        command.add_request("stop", "Ines", None, None, AT)
    bench.shell.look_for_requests()
    bench.shell.look_for_requests()
    kinds = [e.request.kind for e in bench.script.heard if isinstance(e, RequestMade)]
    assert kinds == ["stop", "water"]


def test_an_alert_that_is_over_is_published_as_over(bench: Bench) -> None:
    bench.run(RaiseAlert(ALERT))
    bench.run(ClearAlert("near_empty", "", AT))
    bench.run(ClearAlert("near_empty", "", AT))
    assert bench.world.published == [("near_empty", False), ("near_empty", True)]
    assert bench.store.open_alerts() == ()


def test_a_test_added_while_it_runs_is_handed_to_the_controller_once(bench: Bench) -> None:
    record = WetWalk(zone=SITE.zones[0].id, at=AT, who="Ida")
    with Store(f"sqlite:///{bench.store.path}", "plot", service=False) as other:
        other.add_test_record(record, site_mark(SITE, SITE.zones[0].id))
    for _ in range(3):
        bench.shell.look_for_requests()
    assert [type(e) for e in bench.script.heard].count(GardenTested) == 1


# --- the place's past ---------------------------------------------------------------------------------


def test_a_start_hands_the_places_past_to_the_controller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None that is still to come; a day that cannot be is unknown."""
    handed: list[Saved] = []
    monkeypatch.setattr(
        shell_module, "begin", lambda _, saved, __: (handed.append(saved), (FakeState(), ()))[1]
    )
    days = [DayWeather(date(2026, 6, n), 12.0, 25.0, float(n)) for n in range(1, 31)]
    spoilt = replace(days[9], tmin_c=30.0)  # below the least of the day
    coming = DayWeather(date(2026, 7, 3), 12.0, 25.0, 50.0)
    world, clock = World(), HandClock()
    with Store(store_url(tmp_path / "plot.db"), SITE.id) as store:
        store.write([RecordDay(d, ()) for d in (*days[:9], spoilt, *days[10:], coming)])
        past = StoredPast(SITE, store, clock)  # type: ignore[arg-type]
        Shell(SITE, store, world, world, world, clock, past=past.whole).start()  # type: ignore[arg-type]
    (saved,) = handed
    assert saved.past is not None
    assert saved.past.first == date(2026, 6, 1)
    assert saved.past.rain_mm.tolist() == [float(n) for n in range(1, 31)]
    assert [n for n, mm in enumerate(saved.past.et0_mm) if not mm > 0.0] == [9]


def test_a_weather_file_that_cannot_be_read_does_not_stop_the_garden(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    gone = replace(SITE, forecast=replace(SITE.forecast, path=tmp_path / "gone.csv"))
    with Store(store_url(tmp_path / "plot.db"), SITE.id) as store:
        store.write([RecordDay(DayWeather(date(2026, 6, 1), 12.0, 25.0, 1.0), ())])
        past = StoredPast(gone, store, HandClock()).whole()  # type: ignore[arg-type]
    assert past is not None and past.rain_mm.tolist() == [1.0]
    assert "gone.csv" in caplog.text
