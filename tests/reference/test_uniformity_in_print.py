"""Measures of evenness on printed data with printed results, and on the relations that handbooks print.

No worked set of catch cans of a handbook was at hand when these tests were written. So the spread and
the mean deviation are held against printed statistics of printed data, and the low quarter against the
constants by which the irrigation handbooks turn one measure into the other.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from scheduler.hydraulics.uniformity import (
    christiansen_uniformity,
    du_low_quarter,
    emission_uniformity,
    statistical_uniformity,
)

# Michelson's speed of light of 1879, km/s less 299,000, in the order printed.
MICHELSON = """
    850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960
    960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800
    880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840
    890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780
    890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""


def test_the_spread_of_michelsons_hundred_measures_is_the_certified_one():
    """NIST Statistical Reference Datasets, "Michelso": mean 299.8524, standard deviation 0.0790105478190518
    (in thousands of km/s), both certified; so Us is 1 less their ratio."""
    values = np.array(MICHELSON.split(), dtype=np.float64) / 1000.0 + 299.0
    assert len(values) == 100
    assert statistical_uniformity(values) == pytest.approx(1.0 - 0.0790105478190518 / 299.8524, rel=1e-12)
    # The ratio alone, which a share near 1 would hide.
    assert 1.0 - statistical_uniformity(values) == pytest.approx(0.0790105478190518 / 299.8524, rel=1e-9)


def test_the_mean_deviation_of_the_encyclopedias_five_numbers_is_3_6():
    """Wikipedia, "Average absolute deviation": 2, 2, 3, 4, 14 deviate from their mean 5 by 3.6 on average."""
    assert christiansen_uniformity([2, 2, 3, 4, 14]) == pytest.approx(1.0 - 3.6 / 5.0)


@pytest.fixture(params=[0.05, 0.1, 0.2])
def normal(request: pytest.FixtureRequest) -> tuple[float, np.ndarray]:
    """Cans whose catch is spread as the normal law says, without chance: its own quantiles."""
    variation = float(request.param)
    return variation, 1.0 + variation * norm.ppf((np.arange(20_000) + 0.5) / 20_000)


def test_the_low_quarter_of_normal_flows_lies_1_27_variations_below_the_mean(normal):
    """Keller & Karmeli (1974): the 1.27 of the design emission uniformity is that of the lowest quarter of a
    normal spread."""
    variation, flows = normal
    assert (1.0 - du_low_quarter(flows)) / variation == pytest.approx(1.27, abs=0.005)


def test_design_emission_uniformity_of_even_heads_is_the_low_quarter_of_the_makers_spread(normal):
    """Keller & Karmeli (1974): equal heads, one emitter at each plant: only the makers' spread is left."""
    variation, flows = normal
    even = emission_uniformity([4.0] * 16, variation=variation)
    assert even == pytest.approx(du_low_quarter(flows), abs=0.002)


def test_low_quarter_and_christiansen_follow_each_other_as_handbooks_print(normal):
    """DU = 100 - 1.59 (100 - CU) and CU = 100 - 0.63 (100 - DU) for normal spreads (Keller & Bliesner 1990,
    Sprinkle and Trickle Irrigation; the numbers from memory)."""
    _, flows = normal
    du, cu = 100.0 * du_low_quarter(flows), 100.0 * christiansen_uniformity(flows)
    assert du == pytest.approx(100.0 - 1.59 * (100.0 - cu), abs=0.1)
    assert cu == pytest.approx(100.0 - 0.63 * (100.0 - du), abs=0.1)


def test_statistical_and_christiansen_uniformity_of_normal_flows_differ_by_the_mean_deviations_share(normal):
    """The mean deviation of a normal law is sqrt(2/pi) = 0.798 of its standard deviation (any text)."""
    _, flows = normal
    ratio = (1.0 - christiansen_uniformity(flows)) / (1.0 - statistical_uniformity(flows))
    assert ratio == pytest.approx(0.798, abs=5e-4)
