"""Valves opened for a test: bounded like every order, answered at once, shut by a stop half-way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduler.control.controller import begin
from scheduler.control.effects import (
    RecordAnswer,
    RecordBooking,
    RecordHold,
    RecordIntent,
    RecordMeasured,
    SendClose,
)
from scheduler.control.events import Request, RequestMade
from scheduler.control.openings import AFTER_TEST, SHUT_CONFIRMED
from scheduler.control.orders import Order
from scheduler.control.state import Saved
from tests.support.driving import Driver
from tests.support.gardens import small_garden

ZONE = "bed"
TEST_S = 300.0
HELD = timedelta(seconds=TEST_S) + AFTER_TEST


def made() -> Driver:
    driver = Driver(small_garden())
    driver.ready()
    return driver


def answer(driver: Driver) -> RecordAnswer:
    return driver.all(RecordAnswer)[-1]


def opened(driver: Driver, seconds: float = TEST_S) -> Order:
    driver.ask("open_for", ZONE, seconds)
    assert answer(driver).done, answer(driver).text
    return driver.orders()[-1]


def test_a_valve_opens_for_the_time_asked_and_no_longer_and_it_is_known_who_asked() -> None:
    driver = made()
    order = opened(driver)
    assert order.open_ms == TEST_S * 1000
    assert order.low_raw is not None  # the node itself shuts at the floor
    (intent,) = [e.intent for e in driver.all(RecordIntent)]
    assert (intent.asked_by, intent.zone, intent.for_test) == ("gardener", ZONE, True)
    assert "shuts by itself" in answer(driver).text and "5 min" in answer(driver).text
    kinds = [type(e).__name__ for e in driver.effects]
    assert kinds.index("RecordIntent") < kinds.index("SendOrder")


def test_what_flows_is_drawn_from_the_barrels_but_waters_no_plant_and_teaches_nothing() -> None:
    driver = made()
    before = (driver.state.given_l, driver.state.flow)
    driver.wait(3600.0)
    order = opened(driver)
    driver.node.opens(order)
    driver.wait(60.0, every_s=10.0)
    driver.node.ends(order)
    # An open line end: the level falls by far more than the curve says.
    driver.node.level_m = 0.5
    driver.wait(10 * 3600.0)
    (booking,) = [e.booking for e in driver.all(RecordBooking)]
    assert booking.volume_l > 0.0 and booking.given_l == () and "for a test" in booking.note
    assert driver.state.book.drawn_l == pytest.approx(booking.volume_l)
    assert (driver.state.given_l, driver.state.flow) == before
    assert driver.all(RecordMeasured) == []


@pytest.mark.parametrize(
    ("subject", "seconds", "said"),
    [
        ("lawn", TEST_S, "no zone called 'lawn'"),
        (ZONE, None, "read no time"),
        (ZONE, -5.0, "read no time"),
        (ZONE, 2.0, "takes"),
        (ZONE, 1e6, "at most"),
    ],
)
def test_a_slip_is_refused_in_one_sentence(subject: str, seconds: float | None, said: str) -> None:
    driver = made()
    driver.ask("open_for", subject, seconds)
    assert not answer(driver).done and said in answer(driver).text
    assert driver.orders() == []


def test_never_below_what_is_kept() -> None:
    driver = made()
    floor = driver.state.model.floor_level_m(ZONE)
    driver.node.level_m = floor + 0.03
    driver.wait(3600.0)
    driver.ask("open_for", ZONE, driver.site.node.longest_open_s)
    assert not answer(driver).done and "that are kept" in answer(driver).text
    driver.node.level_m = floor - 0.02
    driver.wait(3600.0)
    driver.ask("open_for", ZONE, 30.0)
    assert not answer(driver).done and "that are kept" in answer(driver).text
    assert driver.orders() == []


def test_not_without_a_level_nor_a_node_nor_against_a_stop() -> None:
    driver = Driver(small_garden())
    driver.ask("open_for", ZONE, TEST_S)
    assert not answer(driver).done and "is not heard" in answer(driver).text
    driver.node.level_m = None
    driver.ready()
    driver.ask("open_for", ZONE, TEST_S)
    assert not answer(driver).done and "fallinghead measured" in answer(driver).text
    driver = made()
    driver.ask("stop")
    driver.hear()
    driver.ask("open_for", ZONE, TEST_S)
    assert not answer(driver).done and "stopped by gardener" in answer(driver).text
    assert driver.orders() == []


def test_nobody_waits_for_a_turn_nor_is_opened_for_after_he_went_home() -> None:
    driver = made()
    opened(driver)
    driver.ask("open_for", ZONE, TEST_S)
    assert not answer(driver).done and "under way" in answer(driver).text
    assert driver.state.waiting == ()
    driver = made()
    old = Request(9, driver.now.wall - timedelta(minutes=5), "Ines", "open_for", ZONE, TEST_S)
    driver.feed(RequestMade(old))
    assert not answer(driver).done and "too long ago" in answer(driver).text
    # Asked while the daemon was down, found when it starts.
    _, effects = begin(driver.site, Saved(requests=(old,)), driver.now, driver.state.model)
    (found,) = [e for e in effects if isinstance(e, RecordAnswer)]
    assert not found.done and "too long ago" in found.text
    assert driver.orders() == []


@pytest.mark.parametrize("how", ["shut", "stop"])
def test_a_stop_half_way_shuts_the_valve_and_books_what_flowed(how: str) -> None:
    driver = made()
    order = opened(driver)
    driver.node.opens(order)
    driver.wait(60.0, every_s=10.0)
    effects = driver.ask(how)
    assert SendClose(None) in effects
    driver.node.ends(order, open_ms=60_000, why="asked")
    driver.hear()
    (booking,) = [e.booking for e in driver.all(RecordBooking)]
    assert booking.open_s == 60.0
    assert driver.state.phase == "at_rest"
    if how == "shut":
        assert answer(driver).text == SHUT_CONFIRMED
        # Unlike a stop it stops nothing else.
        assert driver.state.stopped_by is None
        opened(driver)


def test_a_close_that_got_lost_is_sent_again_until_the_node_confirms() -> None:
    driver = made()
    order = opened(driver)
    driver.node.opens(order)
    driver.wait(30.0, every_s=10.0)
    driver.ask("shut")
    before = len(driver.closes())
    driver.wait(60.0, every_s=5.0)
    assert len(driver.closes()) >= before + 5
    assert answer(driver).text != SHUT_CONFIRMED
    driver.node.ends(order, open_ms=95_000, why="asked")
    driver.hear()
    assert answer(driver).text == SHUT_CONFIRMED


def test_shut_leaves_a_planned_run_alone() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    effects = driver.ask("shut")
    assert answer(driver).text == "No valve stands open for a test."
    assert not [e for e in effects if isinstance(e, SendClose)]


def test_an_opening_cut_by_a_restart_of_the_node_is_not_made_good_by_another_run() -> None:
    driver = made()
    order = opened(driver)
    driver.node.opens(order)
    driver.wait(30.0, every_s=10.0)
    key = driver.state.plan_key
    driver.node.ends(order, open_ms=30_000, why="restart")
    driver.hear()
    assert driver.state.topped_up == frozenset() and driver.state.plan_key == key


def test_after_a_restart_of_the_daemon_it_is_still_known_as_a_test() -> None:
    driver = made()
    order = opened(driver)
    (intent,) = [e.intent for e in driver.all(RecordIntent)]
    again = Driver(driver.site, replace(Saved(), open_intents=(intent,)))
    again.node = driver.node
    again.node.opens(order)
    again.ready()
    again.node.ends(order)
    again.hear()
    (booking,) = [e.booking for e in again.all(RecordBooking)]
    assert booking.given_l == () and booking.volume_l > 0.0


def test_planned_watering_waits_until_the_test_is_over_and_the_household_is_told() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.dry_out()
    while not (driver.state.plan and driver.state.plan.runs):
        driver.wait(300.0)
    assert driver.orders() == [], "a run was due before the test"
    first = min(run.start for run in driver.state.plan.runs)
    driver.wait((first - driver.now.wall).total_seconds() - 120.0, every_s=60.0)
    assert driver.orders() == []
    order = opened(driver)
    driver.node.opens(order)
    until = driver.now.wall + HELD
    assert {(h.zone, h.who, h.until) for h in driver.all(RecordHold)} == {
        (z.id, "gardener", until) for z in driver.site.zones
    }
    assert "No planned watering starts until" in answer(driver).text
    driver.wait(TEST_S, every_s=30.0)
    assert driver.now.wall > first and driver.orders() == [order]
    driver.node.ends(order)
    driver.wait((until - driver.now.wall).total_seconds() - 60.0, every_s=60.0)
    assert driver.orders() == [order]
    driver.wait(1800.0, every_s=60.0)
    assert len(driver.orders()) > 1, "planned anew once the hold is over"


def test_shut_sooner_the_planned_watering_waits_less_and_a_longer_hold_stays() -> None:
    driver = made()
    order = opened(driver)
    driver.node.opens(order)
    driver.wait(60.0, every_s=10.0)
    driver.ask("shut")
    assert {h.until for h in driver.state.holds} == {driver.now.wall + AFTER_TEST}
    driver.node.ends(order, open_ms=60_000, why="asked")
    driver.hear()
    driver.ask("hold", None, 48.0)
    longer = driver.state.holds
    opened(driver)
    assert driver.state.holds == longer
    driver.ask("shut")
    assert driver.state.holds == longer


def test_shut_sooner_a_person_s_own_hold_lasts_as_long_as_it_was_asked_for() -> None:
    driver = made()
    driver.ask("hold", None, 0.7)
    own = {(h.zone, h.until) for h in driver.state.holds}
    driver.wait(60.0)
    order = opened(driver, 900.0)
    driver.node.opens(order)
    driver.wait(60.0, every_s=10.0)
    assert all(h.until > until for h, (_, until) in zip(driver.state.holds, sorted(own), strict=True))
    driver.ask("shut")
    assert {(h.zone, h.until) for h in driver.state.holds} == own
    driver.node.ends(order, open_ms=60_000, why="asked")
    driver.hear()
    # One more test: what the first one's end left standing is the person's, and stays.
    order = opened(driver, 900.0)
    driver.node.opens(order)
    driver.ask("shut")
    assert {(h.zone, h.until) for h in driver.state.holds} == own


def test_shut_sooner_after_a_restart_the_hold_stays_for_what_it_replaced_is_not_known() -> None:
    driver = made()
    order = opened(driver, 900.0)
    (intent,) = [e.intent for e in driver.all(RecordIntent)]
    again = Driver(driver.site, Saved(open_intents=(intent,), holds=driver.state.holds))
    again.node = driver.node
    again.node.opens(order)
    again.ready()
    held = again.state.holds
    again.ask("shut")
    assert again.state.holds == held != ()
