"""A sensor that falls silent is told after six hours (trade notes: "no reading 6 h"), and once."""

from __future__ import annotations

from scheduler.control.effects import RaiseAlert
from tests.support.driving import Driver
from tests.support.gardens import small_garden

HOUR_S = 3600.0


def test_six_hours_without_a_reading_are_told_then() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(600.0)
    driver.node.level_m = None
    told = [e.alert.kind for e in driver.wait(5.8 * HOUR_S) if isinstance(e, RaiseAlert)]
    assert "level_unknown" not in told
    told = [e.alert.kind for e in driver.wait(0.5 * HOUR_S) if isinstance(e, RaiseAlert)]
    assert told.count("level_unknown") == 1
    told = [e.alert.kind for e in driver.wait(8 * HOUR_S) if isinstance(e, RaiseAlert)]
    assert "level_unknown" not in told
