"""A plain motor valve stands still when the power goes: what then ran is booked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.control.effects import RecordBooking
from scheduler.control.state import Saved
from tests.support.driving import Driver
from tests.support.gardens import small_garden

DAY_MS = 86_400_000


@pytest.mark.parametrize("restarted", [False, True])
def test_water_that_ran_while_the_node_had_no_power_is_booked(restarted: bool) -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    if restarted:
        intent = driver.state.intents[0].intent
        fresh = Driver(driver.site, Saved(open_intents=(intent,)), start=driver.now.wall)
        fresh.node = driver.node
        driver = fresh
    off_s = 3.0 * 3600.0
    driver.wait(off_s, speaking=False)
    driver.node.reboots(driver.mono_s)
    driver.node.ends(order, open_ms=60_000, why="restart")
    driver.node.outcomes[-1] = replace(driver.node.outcomes[-1], open_ms_max=DAY_MS)
    driver.mono_s += 30.0
    driver.hear()
    booking = next(e.booking for e in driver.effects if isinstance(e, RecordBooking))
    assert booking.order_id == order.order_id
    assert booking.open_s == pytest.approx(off_s, rel=0.05)  # three hours, whatever the order said


def test_an_order_that_ended_in_time_books_its_own_time() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.wait(order.open_ms / 1000)
    driver.node.ends(order)
    driver.wait(3600.0)
    booking = next(e.booking for e in driver.effects if isinstance(e, RecordBooking))
    assert booking.open_s == pytest.approx(order.open_ms / 1000)
