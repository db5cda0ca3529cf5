"""A flow meter proves that water came, where it counts at all."""

from __future__ import annotations

from dataclasses import replace

from scheduler.control.effects import Note
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def _run(driver: Driver, before: int, after: int | None) -> list[str]:
    """One run asked for; the meter's count before and after it. What the service notes of the meter."""
    already = len(driver.orders())
    driver.feed(replace(driver.node.says(driver.now), flow_pulses=before))
    driver.ask("water", "bed", 10.0)
    (order,) = driver.orders()[already:]
    driver.node.opens(order)
    driver.hear()
    driver.mono_s += order.open_ms / 1000
    driver.node.ends(order)
    notes = len(driver.all(Note))
    driver.feed(replace(driver.node.says(driver.now), flow_pulses=after))
    driver.wait(1200.0)
    return [n.text for n in driver.all(Note)[notes:] if "flow meter" in n.text]


def test_a_run_that_the_meter_counted_is_noted_with_its_pulses() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 350) == ["Zone bed: the flow meter counted 250 pulse(s)."]


def test_a_run_of_which_it_counted_nothing_is_noted_only_where_it_did_count_before() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 100) == []  # it may not turn at such a flow
    assert len(_run(driver, 100, 350)) == 1
    (text,) = _run(driver, 350, 350)
    assert "counted nothing" in text


def test_a_count_that_begins_anew_or_is_missing_says_nothing() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 7) == []
    assert _run(driver, 100, None) == []
