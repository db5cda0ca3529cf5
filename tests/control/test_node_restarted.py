"""An order whose end nobody knows: the node restarted, forgot it, and the clock of the Pi was moved."""

from __future__ import annotations

from datetime import timedelta

import pytest

from scheduler.control.effects import Note, RecordBooking
from scheduler.control.state import Saved
from tests.support.driving import Driver
from tests.support.gardens import small_garden


@pytest.mark.parametrize("moved_h", [-30.0, -1.0, 0.0, 30.0])
def test_a_run_that_the_node_forgot_is_booked_at_the_most_whatever_the_wall_clock_says(
    moved_h: float,
) -> None:
    """The service dies too, so that nobody remembers to have seen the valve open."""
    before = Driver(small_garden())
    before.to_first_order()
    intent = before.state.intents[0].intent
    after = Driver(
        before.site, Saved(open_intents=(intent,)), start=before.now.wall + timedelta(hours=moved_h)
    )
    after.node.session = "cccccccccccccccc"
    after.node.booted_at_s = 0.0  # it starts with the service, and remembers nothing
    after.ready()
    after.wait(120.0, every_s=30.0)
    booking = next(e.booking for e in after.effects if isinstance(e, RecordBooking))
    assert booking.open_s == pytest.approx(intent.order.open_ms / 1000)
    assert booking.volume_low_l == 0.0


def test_an_order_that_a_node_which_never_restarted_did_not_hear_is_booked_as_nothing() -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    driver.start += timedelta(hours=30)  # the wall clock is moved; the node has only a new connection
    driver.node.session = "cccccccccccccccc"
    driver.wait(120.0, every_s=30.0)
    booking = next(e.booking for e in driver.effects if isinstance(e, RecordBooking))
    assert booking.open_s == 0.0


def test_that_a_node_fell_silent_is_noted_once() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(6 * 3600.0, speaking=False)
    notes = [e.text for e in driver.effects if isinstance(e, Note) and "has been silent" in e.text]
    assert len(notes) == 1
