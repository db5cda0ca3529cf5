"""Intervals widen as readings get fewer and scatter more."""

from __future__ import annotations

import pytest
from scipy import stats

from scheduler.survey.intervals import STATED_FREEDOM, Measured, error_scale, t95


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 8, 8.5, 12, 29, 30, 30.5, 31, 60, 120, 1000])
def test_student_t_is_that_of_the_reference_library(freedom: float) -> None:
    # scipy.stats.t; printed in every table: 12.706 at 1, 2.228 at 10, 2.000 at 60, 1.980 at 120.
    assert t95(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=0.001)


def test_no_freedom_no_interval() -> None:
    with pytest.raises(ValueError, match="degree of freedom"):
        t95(0.5)


def test_readings_as_stated_leave_the_error_as_it_is() -> None:
    widen, times = error_scale(2.0, 2.0)
    assert widen == pytest.approx(1.0) and times == t95(STATED_FREEDOM + 2)


def test_readings_that_scatter_widen_it() -> None:
    assert error_scale(40.0, 2.0)[0] > 2.0 > 1.0 > error_scale(0.0, 5.0)[0]


def test_an_interval_is_even_about_its_value() -> None:
    got = Measured.of(10.0, 2.0, 3.0)
    assert (got.low, got.high) == (4.0, 16.0)
