"""A zone that gives again what it was built for is no burst line; what came through its valve is not lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import RaiseAlert, RecordMeasured, RecordWaterDay
from scheduler.control.events import WeatherArrived
from scheduler.control.state import Saved
from scheduler.sensing.flow import FlowFactor
from scheduler.sensing.leak import Leak
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden

HOUR_S = 3600.0
ASKED_L = 20.0


def days_of_runs(factor: float, gives: float, *, days: int = 3, evening: bool = False) -> Driver:
    """A dry day, then a run of the pots on each. They are believed to give ``factor`` of what they were built
    for, and give ``gives`` times what is booked by that."""
    flow = tuple((z.id, FlowFactor(factor, 0.01 * factor, START)) for z in small_garden().zones)
    driver = Driver(small_garden(), Saved(flow_factors=flow))
    driver.ready()
    _pass(driver, 24.0)
    for _ in range(days):
        _pass(driver, 16.0 if evening else 2.0)
        driver.run_of("pots", ASKED_L, gives)
        _pass(driver, 24.0 - 17.0 if evening else 24.0 - 3.0)
    return driver


def _pass(driver: Driver, hours: float) -> None:
    """Every plant just soaked, so nothing else is watered; the weather is told."""
    zones = tuple(replace(z, depletion_mm=0.0) for z in driver.state.zones_now)
    driver.state = replace(driver.state, zones_now=zones, base_zones=zones)
    driver.wait(hours * HOUR_S, every_s=900.0)
    today = driver.now.wall.astimezone(driver.site.place.timezone).date()
    days = tuple(replace(d, rain_mm=0.0) for d in dry_days(today - timedelta(days=10), 16))
    driver.feed(WeatherArrived(Outlook(days, "test", driver.now.wall)))


def told(driver: Driver) -> set[str]:
    return {a.alert.kind for a in driver.all(RaiseAlert)} & {"run_over", "run_short", "water_lost"}


@pytest.mark.parametrize("evening", [False, True])
def test_a_filter_that_has_cleared_is_neither_lost_water_nor_a_burst_line(evening: bool) -> None:
    driver = days_of_runs(0.5, 2.0, days=2, evening=evening)
    (first, *_) = driver.all(RecordMeasured)
    assert first.measured_l == pytest.approx(2.0 * first.booked_l, abs=2.0)
    assert told(driver) == set()


def test_a_burst_line_is_told_as_that_also_where_the_filter_had_clogged_before() -> None:
    assert told(days_of_runs(1.0, 2.0)) == {"run_over"}
    assert told(days_of_runs(0.7, 2.0)) == {"run_over"}


def test_the_day_holds_what_the_level_proved_also_of_a_run_proven_after_midnight() -> None:
    for evening in (False, True):
        driver = days_of_runs(0.5, 2.0, days=1, evening=evening)
        _pass(driver, 24.0)
        (run,) = driver.all(RecordMeasured)
        held = {d.day: d for d in driver.all(RecordWaterDay)}
        (drawn,) = (d for d in held.values() if d.drawn_l > 0.0)
        assert drawn.drawn_l == pytest.approx(run.measured_l)
        assert drawn.rest_l is not None and drawn.rest_sd_l is not None
        assert abs(drawn.rest_l) < 2.0 * drawn.rest_sd_l


def test_while_the_rests_contradict_the_known_leak_a_run_is_not_proven_by_the_fall() -> None:
    """The level may then fall for another reason than the run, which is to stay seen as lost."""
    driver = days_of_runs(1.0, 1.0, days=0)
    driver.state = replace(driver.state, leak=Leak(2.0, 0.05))  # a day at rest has shown nothing of it
    _pass(driver, 2.0)
    driver.run_of("pots", ASKED_L, 2.0)
    _pass(driver, 24.0)
    (run,) = driver.all(RecordMeasured)
    (drawn,) = (d for d in {d.day: d for d in driver.all(RecordWaterDay)}.values() if d.drawn_l > 0.0)
    assert drawn.drawn_l == pytest.approx(run.booked_l)
