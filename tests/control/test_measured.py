"""A level that a person measured, and what it makes of the sensor's zero, in words."""

from __future__ import annotations

import pytest

from scheduler.control.effects import RecordAnswer
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def told(driver: Driver, level_m: float) -> str:
    driver.ask("measured", None, level_m)
    return next(e.text for e in reversed(driver.effects) if isinstance(e, RecordAnswer))


def ready() -> Driver:
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(1800.0)
    return driver


def test_a_measure_beside_the_sensors_word_corrects_it() -> None:
    driver = ready()
    level_m = driver.state.belief.level_m
    assert level_m is not None
    assert told(driver, level_m - 0.02).endswith("it is corrected from now on.")
    assert driver.state.track.offset_m == pytest.approx(-0.02, abs=1e-6)


def test_a_measure_far_from_it_corrects_nothing_and_says_what_to_do() -> None:
    driver = ready()
    level_m = driver.state.belief.level_m
    assert level_m is not None
    answer = told(driver, level_m - 0.3)
    assert "too far away to be corrected" in answer and "Measure again" in answer
    assert driver.state.track.offset_m == 0.0
    assert driver.state.belief.level_m == pytest.approx(level_m - 0.3)
