"""A valve in fault: its motor may rest between closes, and a node that starts anew is closed at once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.control.effects import ClearAlert, RaiseAlert, SendClose
from scheduler.control.state import Saved
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


def test_a_valve_that_tries_again_and_jams_again_stays_told_and_is_told_once() -> None:
    """Each try says "closing" for its travel and then "fault" again."""
    driver = _at_fault()
    driver.wait(60.0, every_s=10.0)
    assert [a.alert.kind for a in driver.all(RaiseAlert)] == ["valve_not_shut"]
    closes = len(driver.closes())
    for _ in range(36):
        driver.wait(290.0, every_s=58.0)
        driver.node.positions[1] = ("closing", None)
        driver.hear()
        assert driver.state.phase == "unproven"
        driver.wait(10.0, every_s=10.0)
        driver.node.positions[1] = ("fault", None)
        driver.hear()
    assert driver.all(ClearAlert) == [] and len(driver.all(RaiseAlert)) == 1
    assert len(driver.closes()) - closes <= 8  # the motor rests as it did
    driver.node.positions.clear()
    driver.hear()
    assert [a.kind for a in driver.all(ClearAlert)] == ["valve_not_shut"] and driver.state.phase == "at_rest"


def test_a_node_that_falls_silent_or_is_heard_anew_while_it_closes_does_not_end_the_message() -> None:
    driver = _at_fault()
    driver.wait(60.0, every_s=10.0)
    driver.wait(3600.0, speaking=False)
    assert driver.state.phase == "unheard"
    driver.node.positions[1] = ("closing", None)
    driver.hear()
    assert "valve_not_shut" not in [a.kind for a in driver.all(ClearAlert)]
    driver.node.positions.clear()
    driver.hear()
    assert "valve_not_shut" in [a.kind for a in driver.all(ClearAlert)]


def test_a_service_started_anew_does_not_call_it_over_before_the_node_was_heard() -> None:
    driver = _at_fault()
    driver.wait(60.0, every_s=10.0)
    again = Driver(driver.site, Saved(alarms=driver.state.alarms))
    again.node.positions[1] = ("closing", None)
    again.ready()
    again.wait(60.0, every_s=10.0)
    assert again.all(ClearAlert) == []


@pytest.mark.parametrize("closes", [1024, 1025, 100_000])
def test_a_valve_may_stay_in_fault_for_a_season(closes: int) -> None:
    driver = _at_fault()
    driver.state = replace(driver.state, closes_at_fault=closes, close_asked_mono_s=driver.mono_s)
    assert len(_close_times_s(driver, 2.1)) == 2  # one an hour
