"""A leak is known within three nights and no longer counted soon after it has stopped, watered or not."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import RaiseAlert, RecordMeasured, RecordWaterDay
from scheduler.control.events import WeatherArrived
from scheduler.control.leaks import leak_l_day
from scheduler.sensing.leak import Leak
from tests.support.driving import Driver
from tests.support.gardens import dry_days, small_garden

HOUR_S = 3600.0
LEAK_LPH = 2.0


def made(level_m: float = 0.7) -> Driver:
    driver = Driver(small_garden())
    driver.node.level_m = level_m
    driver.ready()
    driver.ask("hold", None, 60 * 24.0)
    return driver


def days_pass(driver: Driver, days: float, lph: float = 0.0) -> None:
    """Dry days at rest in which so much leaks; the zones are held."""
    for hour in range(round(24 * days)):
        if hour % 24 == 0:
            today = driver.now.wall.astimezone(driver.site.place.timezone).date()
            told = tuple(replace(d, rain_mm=0.0) for d in dry_days(today - timedelta(days=10), 16))
            driver.feed(WeatherArrived(Outlook(told, "test", driver.now.wall)))
        for _ in range(4):
            lose(driver, lph / 4.0)
            driver.wait(HOUR_S / 4.0, every_s=HOUR_S / 4.0)


def lose(driver: Driver, litres: float) -> None:
    assert driver.node.level_m is not None
    stage = driver.state.model.stage
    driver.node.level_m = stage.level_m(max(0.0, stage.volume_l(driver.node.level_m) - litres))


def run(driver: Driver, litres: float) -> None:
    """A run of the pots that gives what is booked."""
    driver.ask("water", "pots", litres)
    order = driver.orders()[-1]
    driver.node.opens(order)
    for _ in range(20):
        lose(driver, litres / 20.0)
        driver.wait(order.open_ms / 1000 / 20, every_s=60.0)
    driver.node.ends(order)
    driver.hear()


def known_tight() -> Driver:
    """Runs have shown that nothing leaks."""
    driver = made()
    for _ in range(3):
        days_pass(driver, 0.9)
        run(driver, 5.0)
    assert driver.state.leak is not None and leak_l_day(driver.state) == 0.0
    return driver


def test_a_leak_that_begins_is_counted_within_three_nights_though_nothing_is_watered() -> None:
    driver = known_tight()
    days_pass(driver, 3.1, LEAK_LPH)
    assert leak_l_day(driver.state) == pytest.approx(24.0 * LEAK_LPH, rel=0.1)
    days_pass(driver, 1.0, LEAK_LPH)
    plan = driver.state.plan
    assert plan is not None and plan.store.leak_l == pytest.approx(24.0 * LEAK_LPH, rel=0.1)


def test_a_loss_that_has_stopped_is_no_longer_counted_after_a_day_though_nothing_is_watered() -> None:
    driver = known_tight()
    days_pass(driver, 4.0, LEAK_LPH)
    assert leak_l_day(driver.state) > LEAK_LPH
    days_pass(driver, 1.25)
    assert leak_l_day(driver.state) == 0.0
    days_pass(driver, 0.75)
    assert [d.leak_l for d in driver.all(RecordWaterDay)][-1] is None  # nobody knows whether it leaked
    days_pass(driver, 1.25)
    assert driver.state.leak is not None and driver.state.leak.lph == pytest.approx(0.0, abs=0.2)


def test_a_leak_that_goes_on_is_counted_day_by_day() -> None:
    driver = known_tight()
    days_pass(driver, 3.1, LEAK_LPH)
    for _ in range(4):
        days_pass(driver, 1.0, LEAK_LPH)
        assert leak_l_day(driver.state) == pytest.approx(24.0 * LEAK_LPH, rel=0.1)


def test_readings_that_contradict_a_leak_count_once_though_a_run_follows_soon() -> None:
    driver = known_tight()
    days_pass(driver, 1.2, LEAK_LPH)
    run(driver, 5.0)
    assert driver.state.leak is not None and driver.state.leak.beyond == 1


def test_runs_after_a_loss_has_stopped_are_not_called_short_by_it() -> None:
    driver = known_tight()
    days_pass(driver, 4.0, LEAK_LPH)
    days_pass(driver, 0.75)
    for _ in range(2):
        run(driver, 20.0)
        days_pass(driver, 0.75)
    for measured in driver.all(RecordMeasured)[-2:]:
        assert measured.measured_l == pytest.approx(measured.booked_l, abs=3.0 * measured.measured_sd_l)
    assert "run_short" not in [a.alert.kind for a in driver.all(RaiseAlert)]


def test_empty_barrels_do_not_show_that_nothing_leaks() -> None:
    driver = made(0.0)
    driver.state = replace(driver.state, leak=Leak(LEAK_LPH, 0.05))
    days_pass(driver, 4.0)
    assert driver.state.leak == Leak(LEAK_LPH, 0.05)


def test_a_leak_that_becomes_less_is_counted_all_along() -> None:
    """As of an orifice whose head falls (Torricelli): at a third of the head, 0.58 times as much."""
    driver, less_l = known_tight(), 24.0 * 0.58 * LEAK_LPH
    days_pass(driver, 4.0, LEAK_LPH)
    for _ in range(20):
        days_pass(driver, 0.25, 0.58 * LEAK_LPH)
        assert 0.9 * less_l < leak_l_day(driver.state) < 24.1 * LEAK_LPH
    assert leak_l_day(driver.state) == pytest.approx(less_l, rel=0.1)
    assert None not in [d.leak_l for d in driver.all(RecordWaterDay)][-5:]
