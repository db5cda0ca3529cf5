"""A flow meter proves that water came, where it counts at all."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.control.effects import Booking, Note, RecordBooking
from scheduler.control.orders import EndReason
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


# --- litres, where the site file says what a pulse is


def _booked(
    pulses_per_litre: float, pulse_l: float | None, *, why: EndReason = "time_up"
) -> tuple[Booking, float]:
    """Run of 10 L by the curve past a meter of so many pulses a litre; and what the curve says."""
    plain, site = Driver(small_garden()), small_garden()
    driver = Driver(replace(site, node=replace(site.node, meter_pulse_l=pulse_l)))
    for d in (plain, driver):
        d.ready()
        d.feed(replace(d.node.says(d.now), flow_pulses=1000))
        d.ask("water", "bed", 10.0)
        (order,) = d.orders()
        d.node.opens(order)
        d.hear()
        d.mono_s += order.open_ms / 1000
        d.node.ends(order, why=why)
        d.feed(replace(d.node.says(d.now), flow_pulses=1000 + round(10.0 * pulses_per_litre)))
    return driver.all(RecordBooking)[0].booking, plain.all(RecordBooking)[0].booking.volume_l


def test_a_run_that_the_meter_agrees_with_is_booked_by_the_meter_with_its_interval() -> None:
    booking, curve_l = _booked(110.0, 0.01)
    assert curve_l == pytest.approx(10.0, rel=0.02)
    assert booking.volume_l == pytest.approx(11.0) and booking.note == "metered"
    # 1100 pulses of 0.01 L; one more or less, and 5 % (OIML R 49-1, class 2, from memory).
    assert booking.volume_low_l == pytest.approx(1099 * 0.01 * 0.95)
    assert booking.volume_high_l == pytest.approx(1101 * 0.01 * 1.05)
    assert sum(litres for _plant, litres in booking.given_l) == pytest.approx(11.0, rel=1e-6)


def test_a_coarse_meter_has_a_wide_interval() -> None:
    booking, _curve_l = _booked(0.2, 5.0)
    assert booking.volume_l == 10.0 and booking.note == "metered"
    assert (booking.volume_low_l, booking.volume_high_l) == (5.0 * 0.95, pytest.approx(15.0 * 1.05))


@pytest.mark.parametrize("says_l", [1.0, 40.0])
def test_a_meter_that_contradicts_the_curve_is_told_and_both_are_within_the_bounds(says_l: float) -> None:
    booking, curve_l = _booked(10.0 * says_l, 0.01)
    assert booking.volume_l == curve_l
    assert booking.note == f"the flow meter says {says_l:.1f} L"
    assert booking.volume_low_l < min(says_l, curve_l) and booking.volume_high_l > max(says_l, curve_l)


@pytest.mark.parametrize(("pulses_per_litre", "pulse_l"), [(110.0, None), (0.0, 0.01), (-20.0, 0.01)])
def test_without_a_known_pulse_or_a_count_that_grew_the_curve_is_booked(
    pulses_per_litre: float, pulse_l: float | None
) -> None:
    booking, curve_l = _booked(pulses_per_litre, pulse_l)
    assert booking.volume_l == curve_l and booking.note == ""


def test_after_a_restart_of_the_node_its_count_says_nothing() -> None:
    booking, curve_l = _booked(110.0, 0.01, why="restart")
    assert booking.volume_l == curve_l and booking.note == "the node restarted"
