"""Whatever dies in the middle of a run: the valve closes in time, the water is booked once, it is told."""

from __future__ import annotations

import sqlite3
import time

import pytest

from scheduler.control.effects import Booking
from tests.end_to_end.garden_under_test import TRAVEL_S, GardenUnderTest

# The order's own time, the valve's travel both ways and the node's pace.
LATE_S_MAX = 1.5


def closed_in_time(plot: GardenUnderTest) -> None:
    """Each opening ended when its order's time and the closing travel were over, or sooner."""
    intents = plot.intents()
    assert len(plot.water.openings) <= len(intents)
    longest_s = max(i.order.open_ms for i in intents) / 1000
    for opening in plot.water.openings:
        assert opening.ended_s is not None
        assert opening.ended_s - opening.began_s < longest_s + TRAVEL_S + LATE_S_MAX


def books_cover(plot: GardenUnderTest, bookings: tuple[Booking, ...]) -> None:
    """What truly ran lies within what is booked (rule 4: never booked less than was given)."""
    assert sum(b.volume_low_l for b in bookings) - 0.03 <= plot.water.given_l
    assert plot.water.given_l <= sum(b.volume_high_l for b in bookings) + 0.03


def test_a_daemon_killed_mid_run_leaves_the_closing_to_the_node_and_books_once(plot: GardenUnderTest) -> None:
    plot.order(0.6)
    plot.kill_daemon()
    plot.wait(lambda: plot.water.shut, 20, "the node closes by itself")
    plot.start_daemon()
    (booking,) = plot.wait_booked()
    assert booking.outcome is not None
    assert booking.outcome.why == "time_up"
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    assert "1 order(s) from before the start are not booked" in plot.said()
    closed_in_time(plot)


def test_a_daemon_back_before_the_end_lets_the_run_finish_and_books_once(
    plot: GardenUnderTest,
) -> None:
    plot.order(1.0)
    plot.kill_daemon()
    plot.start_daemon()
    (booking,) = plot.wait_booked()
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.03)
    assert len(plot.water.openings) == 1
    closed_in_time(plot)


def test_a_broker_killed_mid_run_and_restarted_loses_no_booking(plot: GardenUnderTest) -> None:
    plot.order(0.6)
    plot.broker.kill()
    plot.wait_said("The broker is lost", 10)
    plot.wait(lambda: plot.water.shut, 20, "the node closes by itself")
    plot.broker.start()
    (booking,) = plot.wait_booked(within_s=60)
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    closed_in_time(plot)
    assert len(plot.water.openings) == 1


def test_a_node_rebooted_mid_run_closes_first_and_its_water_is_booked_once_and_told(
    plot: GardenUnderTest,
) -> None:
    plot.order(1.0)
    plot.kill_node()
    assert plot.water.is_open  # a motor valve without power stays where it is
    restarted_s = time.monotonic()
    plot.start_node("watchdog")
    plot.wait(lambda: plot.water.shut, 10, "the node closes at its start")
    assert time.monotonic() - restarted_s < TRAVEL_S + 2.0
    (booking,) = plot.wait_booked()
    assert booking.outcome is not None
    assert booking.outcome.why == "restart"
    assert booking.note == "the node restarted"
    books_cover(plot, (booking,))
    alert = plot.wait_alert("run_interrupted")
    assert "a run of Bed broke off before its end" in alert.text
    closed_in_time(plot)


def test_a_locked_database_is_said_the_valve_closes_and_the_water_is_booked_once_later(
    plot: GardenUnderTest,
) -> None:
    plot.order(0.5)
    holder = sqlite3.connect(plot.store_file, isolation_level=None)
    try:
        holder.execute("BEGIN IMMEDIATE")
        plot.wait(lambda: plot.water.shut, 20, "the valve closes")
        plot.wait_said("is locked by another program", 20)
        assert plot.bookings() == ()
        holder.execute("ROLLBACK")
    finally:
        holder.close()
    (booking,) = plot.wait_booked()
    plot.wait_said("The store can be written again; nothing that was waiting is lost.", 20)
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    assert "is locked" in plot.wait_alert("store_failed").text
    closed_in_time(plot)


def test_a_full_disk_is_said_opens_nothing_and_loses_no_booking(plot: GardenUnderTest) -> None:
    plot.order(0.5)
    plot.limit_files(1)
    plot.wait(lambda: plot.water.shut, 20, "the valve closes")
    plot.wait_said("what happens cannot be written down", 30)
    plot.forget_said()
    refused = plot.ask("water", "bed", 0.5)
    plot.wait_said("the store cannot be written", 15)
    assert len(plot.water.openings) == 1
    assert plot.bookings() == ()
    plot.limit_files(-1)
    (booking,) = plot.wait_booked()
    answer = plot.answer(refused)
    assert not answer.done
    assert "the store cannot be written" in answer.text
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    plot.order(0.3)
    plot.wait_booked(2)
    assert "Traceback" not in plot.said()
