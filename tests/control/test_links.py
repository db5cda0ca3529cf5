"""A connection that breaks again and again is told: as when somebody else uses its name (F13)."""

from __future__ import annotations

from scheduler.control.effects import RaiseAlert
from scheduler.control.events import LinkChanged
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def told(driver: Driver) -> list[str]:
    return [e.alert.text for e in driver.all(RaiseAlert) if e.alert.kind == "link_breaks"]


def _breaks(driver: Driver, times: int, every_s: float) -> None:
    for _ in range(times):
        driver.mono_s += every_s
        driver.feed(LinkChanged(False))
        driver.feed(LinkChanged(True))


def test_the_service_s_own_name_taken_by_another_program_is_told_once() -> None:
    driver = Driver(small_garden())
    driver.ready()
    _breaks(driver, 4, 5.0)
    assert not told(driver)
    _breaks(driver, 6, 5.0)
    (text,) = told(driver)
    assert "this service" in text


def test_a_broker_that_is_lost_now_and_then_is_not_told() -> None:
    driver = Driver(small_garden())
    driver.ready()
    _breaks(driver, 12, 300.0)
    assert not told(driver)


def test_a_node_that_connects_anew_by_turns_without_a_restart_is_told() -> None:
    driver = Driver(small_garden())
    driver.ready()
    for n in range(5):
        driver.mono_s += 6.0
        driver.node.session = f"{n:016x}"
        driver.hear()
    (text,) = told(driver)
    assert f"node {driver.site.node.id}" in text


def test_a_node_that_restarts_again_and_again_is_no_taken_name() -> None:
    driver = Driver(small_garden())
    driver.ready()
    for n in range(8):
        driver.mono_s += 6.0
        driver.node.reboots(driver.mono_s)
        driver.node.session = f"{n:016x}"
        driver.hear()
    assert not told(driver)
