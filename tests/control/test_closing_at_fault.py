"""A valve in fault: its motor may rest between closes, and a node that starts anew is closed at once."""

from __future__ import annotations

from scheduler.control.effects import SendClose
from tests.support.driving import Driver
from tests.support.gardens import small_garden

# The node's own tries: three, each after five minutes (firmware_stub/valve.py).
NODE_AGAIN_S = 300.0


def _at_fault() -> Driver:
    driver = Driver(small_garden())
    driver.ready()
    driver.node.positions[1] = ("fault", None)
    assert SendClose(None) in driver.hear()
    return driver


def _close_times_s(driver: Driver, hours: float) -> list[float]:
    """When closes were sent, from now on, while the node speaks every ten seconds."""
    found, began = [], driver.mono_s
    while driver.mono_s < began + hours * 3600.0:
        if any(isinstance(e, SendClose) for e in driver.wait(10.0, every_s=10.0)):
            found.append(driver.mono_s - began)
    return found


def test_a_valve_in_fault_gets_its_next_close_after_the_node_s_own_try_and_then_ever_more_rarely() -> None:
    times = _close_times_s(_at_fault(), 6.0)
    gaps = [b - a for a, b in zip([0.0, *times], times, strict=False)]
    assert gaps[0] >= NODE_AGAIN_S
    assert gaps == sorted(gaps) and gaps[-1] >= 3600.0
    assert 6 <= len(times) <= 10  # it is not given up either


def test_a_valve_in_fault_is_asked_for_each_minute_and_no_more() -> None:
    driver = _at_fault()
    driver.wait(60.0, every_s=10.0)
    before = len([e for e in driver.effects if type(e).__name__ == "SendAsk"])
    driver.wait(3600.0, every_s=10.0)
    asks = len([e for e in driver.effects if type(e).__name__ == "SendAsk"]) - before
    assert 55 <= asks <= 70


def test_a_node_that_starts_anew_with_its_valve_in_fault_gets_a_close_at_once() -> None:
    driver = _at_fault()
    driver.wait(900.0, every_s=10.0)
    driver.node.reboots(driver.mono_s)
    driver.node.positions[1] = ("fault", None)
    assert SendClose(None) in driver.hear()


def test_a_valve_that_comes_open_after_a_fault_is_closed_every_ten_seconds() -> None:
    driver = _at_fault()
    driver.wait(900.0, every_s=10.0)
    driver.node.positions[1] = ("open", None)
    times = _close_times_s(driver, 0.05)
    assert len(times) >= 15


def test_a_person_s_stop_closes_a_valve_in_fault_at_once() -> None:
    driver = _at_fault()
    driver.wait(900.0, every_s=10.0)
    assert SendClose(None) in driver.ask("stop")
