"""Travel times of a valve from a stop-watch."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from scheduler.survey.tests_done import TravelTimes
from scheduler.survey.travel_times import travel_times
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, tzinfo=UTC)


def record(opening: tuple[float, ...], closing: tuple[float, ...]) -> TravelTimes:
    return TravelTimes(zone="pots", at=AT, who="Ida", opening_s=opening, closing_s=closing)


def test_the_mean_and_its_interval() -> None:
    found = travel_times(small_garden(), record((7.8, 8.0, 8.2), (8.4, 8.6)))
    assert found.opening_s.value == pytest.approx(8.0)
    assert found.opening_s.low < 7.9 < 8.1 < found.opening_s.high
    assert found.longest_s == 8.6 and not found.sticks
    assert "site file" not in found.verdict


def test_one_time_is_less_sure_than_three() -> None:
    one = travel_times(small_garden(), record((8.0,), (8.0,))).opening_s
    three = travel_times(small_garden(), record((8.0, 8.0, 8.0), (8.0,))).opening_s
    assert one.high - one.low > 1.5 * (three.high - three.low)


def test_a_slow_valve_is_to_be_written_in() -> None:
    found = travel_times(small_garden(), record((12.0,), (8.0,)))
    assert "The site file says 8.0 s for opening" in found.verdict
    assert found.on(small_garden().zones[0].valve).opening_s == 12.0


def test_a_valve_that_sticks_is_named() -> None:
    found = travel_times(small_garden(), record((8.0, 11.5), (8.0,)))
    assert found.sticks and "sticks" in found.verdict


def test_an_unknown_zone_is_an_error() -> None:
    with pytest.raises(KeyError, match="no zone"):
        travel_times(small_garden(), record((8.0,), (8.0,)).model_copy(update={"zone": "x"}))
