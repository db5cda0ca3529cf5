"""FAO-56 (1998) Examples 2 to 6 and 14: as printed, then the printed formula in full precision."""

from __future__ import annotations

import pytest

from scheduler.agronomy import air


def test_pressure_and_psychrometric_constant_at_1800_m_are_those_of_example_2():
    assert air.pressure_kpa(1800.0) == pytest.approx(81.8, abs=0.05)
    assert air.pressure_kpa(1800.0) == pytest.approx(81.756, rel=1e-5)
    assert air.psychrometric_constant(air.pressure_kpa(1800.0)) == pytest.approx(0.054, abs=5e-4)
    assert air.psychrometric_constant(81.756) == pytest.approx(0.054368, rel=1e-5)


def test_saturation_pressures_are_those_of_example_3():
    assert air.saturation_kpa(24.5) == pytest.approx(3.07465, rel=1e-5)  # printed 3.075
    assert air.saturation_kpa(15.0) == pytest.approx(1.70535, rel=1e-5)  # printed 1.705
    assert air.mean_saturation_kpa(15.0, 24.5) == pytest.approx(2.38999, rel=1e-5)  # printed 2.39
    assert air.saturation_kpa(19.75) == pytest.approx(2.30234, rel=1e-5)  # printed 2.30, too low


def test_vapour_pressure_from_wet_and_dry_bulb_is_that_of_example_4():
    pressure = air.pressure_kpa(1200.0)
    assert pressure == pytest.approx(87.8966, rel=1e-5)  # printed 87.9
    assert air.saturation_kpa(19.5) == pytest.approx(2.267, abs=5e-4)
    assert air.vapour_from_wet_bulb_kpa(25.6, 19.5, pressure) == pytest.approx(1.91194, rel=1e-5)


def test_vapour_pressure_from_relative_humidity_is_that_of_examples_5_and_6():
    from_range = air.vapour_from_rh_range_kpa(18.0, 25.0, 54.0, 82.0)
    assert from_range == pytest.approx(1.70154, rel=1e-5)  # printed 1.70
    assert air.vapour_from_rh_mean_kpa(18.0, 25.0, 68.0) == pytest.approx(1.77880, rel=1e-5)  # printed 1.78
    assert air.mean_saturation_kpa(18.0, 25.0) - from_range == pytest.approx(0.91, abs=5e-3)


def test_vapour_pressure_from_the_greatest_humidity_alone_is_its_share_of_saturation_at_tmin():
    # FAO-56 Eq 18 with Example 5's inputs; e0(18) is printed there as 2.064.
    assert air.vapour_from_rh_max_kpa(18.0, 82.0) == pytest.approx(0.82 * 2.064, abs=5e-4)


def test_wind_at_10_m_is_brought_to_2_m_as_in_example_14():
    assert air.wind_at_2m_ms(3.2, 10.0) == pytest.approx(2.39344, rel=1e-5)  # printed 2.4
    assert air.wind_at_2m_ms(1.0, 10.0) == pytest.approx(0.747951, rel=1e-5)  # printed 0.75


def test_wind_measured_at_2_m_is_left_alone():
    assert air.wind_at_2m_ms(3.3, 2.0) == 3.3


def test_wind_at_3_m_in_miles_per_hour_is_that_of_the_fallon_point():
    # refet 0.4.2, tests/test_daily.py: 4.80 mph at 3 m -> 1.976112 m/s at 2 m.
    assert air.wind_at_2m_ms(4.80 * 0.44704, 3.0) == pytest.approx(1.976112, rel=1e-4)


def test_a_wind_gauge_on_the_ground_is_refused():
    with pytest.raises(ValueError, match=r"0\.1 m above the ground"):
        air.wind_at_2m_ms(2.0, 0.1)


def test_slope_of_saturation_is_that_of_examples_17_and_18():
    assert air.saturation_slope(30.2) == pytest.approx(0.246, abs=5e-4)
    assert air.saturation_slope(16.9) == pytest.approx(0.1221127, rel=1e-6)
