"""Each rule's checker bites: a planted defect per rule is reported, and a clean record is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from scheduler.control.effects import Alert, Booking, Intent
from scheduler.control.orders import Order
from scheduler.rehearsal import checks
from scheduler.rehearsal.true_run import TrueRun

START = datetime(2031, 7, 1, 12, tzinfo=UTC)


def run(zone: str, minute: float, open_s: float, *, lowest_m: float = 0.5) -> TrueRun:
    return TrueRun(zone, START + timedelta(minutes=minute), open_s, 0.6, 0.5, lowest_m, 10.0, ())


def order(order_id: str) -> Order:
    return Order("shed", "s", 1, order_id, 0, 600_000, 0)


def intent(order_id: str) -> Intent:
    return Intent(order(order_id), "bed", START, 0.6, (), 10.0)


def booking(order_id: str) -> Booking:
    return Booking(order_id, "bed", START.date(), START, 600.0, None, (), 10.0, 9.0, 11.0)


def alert(kind: str, hour: float) -> Alert:
    return Alert(kind, "", "text", "advice", False, START + timedelta(hours=hour))  # type: ignore[arg-type]


def test_two_open_valves_are_found() -> None:
    closing = {"bed": 8.0, "slope": 8.0}
    assert not list(checks.one_valve_at_a_time([run("bed", 0, 600), run("slope", 11, 600)], closing))
    assert list(checks.one_valve_at_a_time([run("bed", 0, 600), run("slope", 5, 600)], closing))


def test_a_valve_open_past_its_order_and_travel_is_found() -> None:
    assert not list(checks.open_no_longer_than_ordered([order("a")], {"a": 608.0}, {0: 8.0}))
    assert list(checks.open_no_longer_than_ordered([order("a")], {"a": 612.0}, {0: 8.0}))


def test_water_booked_twice_never_or_unordered_is_found() -> None:
    none = frozenset[str]()
    assert not list(checks.booked_once([intent("a")], [booking("a")], under_way=none))
    assert not list(checks.booked_once([intent("a")], [], under_way=frozenset({"a"})))
    assert list(checks.booked_once([intent("a")], [booking("a"), booking("a")], under_way=none))
    assert list(checks.booked_once([intent("a")], [], under_way=none))
    assert list(checks.booked_once([], [booking("a")], under_way=none))


def test_an_order_before_its_intent_is_found() -> None:
    assert not list(checks.intent_before_order([("intent", "a"), ("order", "a")]))
    assert list(checks.intent_before_order([("order", "a"), ("intent", "a")]))


def test_the_same_thing_told_twice_in_a_local_day_is_found() -> None:
    zone = ZoneInfo("America/Los_Angeles")
    assert not list(checks.told_once_a_day([alert("near_empty", 0), alert("near_empty", 24)], zone))
    assert not list(checks.told_once_a_day([alert("near_empty", 0), alert("runs_out", 1)], zone))
    assert list(checks.told_once_a_day([alert("near_empty", 0), alert("near_empty", 10)], zone))


def test_a_run_below_the_reserve_is_found() -> None:
    assert not list(checks.above_the_reserve([run("bed", 0, 600, lowest_m=0.3)], 0.3, {"bed": 0.1}))
    assert list(checks.above_the_reserve([run("bed", 0, 600, lowest_m=0.299)], 0.3, {"bed": 0.1}))
    assert list(checks.above_the_reserve([run("bed", 0, 600, lowest_m=0.31)], 0.3, {"bed": 0.4}))


def test_an_empty_tank_that_nobody_was_told_of_is_found() -> None:
    reached = START + timedelta(days=2)
    assert not list(checks.told_before_empty([alert("near_empty", 5)], reached))
    assert list(checks.told_before_empty([alert("near_empty", 72)], reached))
    assert not list(checks.told_before_empty([], None))
