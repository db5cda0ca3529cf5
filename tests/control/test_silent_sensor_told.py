"""A sensor that falls silent is told after six hours (trade notes: "no reading 6 h"), and once."""

from __future__ import annotations

import pytest

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


@pytest.mark.parametrize("sensor", ["sees other water", "is silent"])
def test_of_a_node_that_is_back_the_sensor_is_heard_out_before_it_is_blamed(sensor: str) -> None:
    """While it was away somebody topped up: a level that far off is believed once three readings agree."""
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(600.0)
    driver.wait(24 * HOUR_S, every_s=600.0, speaking=False)
    driver.node.level_m = 0.2 if sensor == "sees other water" else None
    back = driver.wait(1.4 * HOUR_S, every_s=1800.0)
    told = [e.alert.kind for e in back if isinstance(e, RaiseAlert)]
    assert "level_unknown" not in told
    later = driver.wait(2 * HOUR_S, every_s=1800.0)
    told = [e.alert.kind for e in later if isinstance(e, RaiseAlert)]
    assert told.count("level_unknown") == (sensor == "is silent")
    assert driver.state.belief.known == (sensor != "is silent")
