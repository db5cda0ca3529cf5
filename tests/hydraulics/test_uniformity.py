"""Measures of evenness: each value below is worked by hand from the published definition."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.hydraulics.uniformity import (
    christiansen_uniformity,
    du_low_quarter,
    emission_uniformity,
    low_quarter_mean,
    statistical_uniformity,
)

CANS = [80, 90, 95, 100, 100, 100, 105, 105, 110, 115, 90, 110]  # a set of our own, mean 100


def test_low_quarter_of_twelve_cans():
    """Merriam & Keller (1978): mean of the lowest 3 of 12 = (80 + 90 + 90) / 3 over the mean 100."""
    assert low_quarter_mean(CANS) == pytest.approx(86.667, abs=1e-3)
    assert du_low_quarter(CANS) == pytest.approx(0.86667, abs=1e-5)


def test_a_quarter_that_is_no_whole_number_takes_a_part_of_the_next_value():
    """Ten values: lowest 2.5 of 1..10 = (1 + 2 + 0.5 x 3) / 2.5 = 1.8; mean 5.5."""
    assert low_quarter_mean(range(1, 11)) == pytest.approx(1.8)
    assert low_quarter_mean([4.0]) == 4.0
    assert low_quarter_mean([1.0, 3.0]) == 1.0


def test_christiansens_coefficient_of_twelve_cans():
    """Christiansen (1942): 1 - sum |v - mean| / (n mean) = 1 - (20+10+5+5+5+10+15+10+10) / 1200."""
    assert christiansen_uniformity(CANS) == pytest.approx(1.0 - 90.0 / 1200.0)


def test_design_emission_uniformity():
    """Keller & Karmeli (1974): (1 - 1.27 x 0.05 / sqrt 4) x 3.6 / 4.0 = 0.96825 x 0.9."""
    assert emission_uniformity([3.6, 4.0, 4.4], variation=0.05, per_plant=4) == pytest.approx(0.871425)
    assert emission_uniformity([3.6, 4.0, 4.4]) == pytest.approx(0.9)


def test_statistical_uniformity_is_one_less_the_coefficient_of_variation():
    """Sample standard deviation by Python's statistics module."""
    expected = 1.0 - statistics.stdev(CANS) / statistics.fmean(CANS)
    assert statistical_uniformity(CANS) == pytest.approx(expected)


# NIST Statistical Reference Datasets, SiRstv (Ehrstein and Croarkin): resistance in five groups, with its
# certified "within" sum of squares and residual standard deviation, as SciPy ships it among its tests.
SIRSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
SIRSTV_WITHIN, SIRSTV_RESIDUAL_SD = 2.16636560000000e-01, 1.04076068334656e-01


def test_the_standard_deviation_in_statistical_uniformity_is_that_which_nist_certifies():
    """Us = 1 - s / mean, so s = (1 - Us) mean; four degrees of freedom in each group of five."""
    sds = [(1.0 - statistical_uniformity(group)) * statistics.fmean(group) for group in SIRSTV]
    within = sum(4.0 * s**2 for s in sds)
    assert within == pytest.approx(SIRSTV_WITHIN, rel=1e-9)
    assert (within / 20.0) ** 0.5 == pytest.approx(SIRSTV_RESIDUAL_SD, rel=1e-9)


# ASABE EP458 prints the bounds of its classes twice, by statistical uniformity and by low-quarter (emission)
# uniformity, in whole per cent (values from memory, not looked up again). The pairs belong to flows that
# scatter normally: the standard's own nomograph rests on that.
EP458_PAIRS = [(95, 94), (90, 87), (85, 81), (80, 75), (75, 68), (70, 62), (65, 56)]


def normal_flows(variation: float, count: int = 200) -> list[float]:
    """Evenly spaced quantiles of a normal distribution with mean 1, by Python's statistics module; stretched
    to the exact coefficient of variation. So few that none is negative."""
    law = statistics.NormalDist()
    drawn = [law.inv_cdf((i + 0.5) / count) for i in range(count)]
    return [1.0 + variation * z / statistics.stdev(drawn) for z in drawn]


@pytest.mark.parametrize(("statistical", "low_quarter"), EP458_PAIRS)
def test_both_measures_agree_with_the_printed_pairs_of_class_bounds(statistical, low_quarter):
    flows = normal_flows(1.0 - statistical / 100.0)
    assert 100.0 * statistical_uniformity(flows) == pytest.approx(statistical)
    assert round(100.0 * du_low_quarter(flows)) == low_quarter


@pytest.mark.parametrize("variation", [0.05, 0.15, 0.30])
def test_christiansens_and_the_low_quarters_measure_of_normal_depths_are_in_the_printed_relation(variation):
    """Keller & Bliesner (1990): CU = 100 - 0.63 (100 - DU), both in per cent (from memory); the factor
    1.27 of their emission uniformity is the low quarter's distance below the mean in standard deviations."""
    flows = normal_flows(variation)
    cu, du = 100.0 * christiansen_uniformity(flows), 100.0 * du_low_quarter(flows)
    assert cu == pytest.approx(100.0 - 0.63 * (100.0 - du), abs=0.1)
    assert du / 100.0 == pytest.approx(emission_uniformity([1.0, 1.0], variation=variation), abs=0.002)


@pytest.mark.parametrize("measure", [du_low_quarter, emission_uniformity, christiansen_uniformity])
@pytest.mark.parametrize("values", [[], [-1.0, 2.0], [float("nan"), 1.0], [0.0, 0.0]])
def test_what_has_no_uniformity_is_refused(measure, values):
    with pytest.raises(ValueError, match="uniformity"):
        measure(values)


def test_one_value_has_no_spread():
    with pytest.raises(ValueError, match="two values"):
        statistical_uniformity([3.0])


@given(st.lists(st.floats(0.1, 50.0), min_size=2, max_size=40), st.floats(0.1, 10.0))
def test_scale_and_order_do_not_matter_and_even_is_one(values, scale):
    for measure in (du_low_quarter, statistical_uniformity, christiansen_uniformity, emission_uniformity):
        assert measure([scale * v for v in reversed(values)]) == pytest.approx(measure(values), abs=1e-9)
        assert measure([values[0]] * 7) == pytest.approx(1.0)
        assert measure(values) <= 1.0 + 1e-12
