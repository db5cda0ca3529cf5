"""Filling of emptied lines: closed forms, and priming interpolated over the level."""

from __future__ import annotations

import math

import numpy as np
import pytest

from scheduler.hydraulics.priming import PrimingCurve, priming, primings
from scheduler.hydraulics.water import kinematic_viscosity_m2s
from tests.support.networks import network, plain, random_garden

KNOTS_M = (0.4, 0.9, 1.4)
# What the module states for one level laminar tube.
FILL_TOLERANCE = 0.02


@pytest.mark.parametrize("level_m", [0.15, 0.3])
@pytest.mark.parametrize("pieces", [1, 5])
def test_a_level_laminar_tube_fills_in_the_closed_form_time(level_m, pieces):
    """dx/dt = H / (r a x) with r = 128 nu / (pi g D^4): t = a r L^2 / (2 H); 20 m of 4 mm, Re below 600."""
    length, bore = 20.0, 0.004
    pipes = [(0, 1, 0.01, 0.05, 0.0)]
    pipes += [(i + 1, i + 2, length / pieces, bore, 0.0) for i in range(pieces)]
    net = network([0.5], [0.5], [pieces + 1], [0.0] * (pieces + 2), pipes)
    resistance = 128.0 * kinematic_viscosity_m2s(20.0) / (math.pi * 9.80665 * bore**4)
    seconds = math.pi / 4.0 * bore**2 * resistance * length**2 / (2.0 * level_m)
    assert priming(net, level_m, 1.0).fill_s == pytest.approx(seconds, rel=FILL_TOLERANCE)


def test_an_emitter_at_the_end_lacks_its_flow_of_the_whole_fill():
    pipes = [(0, 1, 0.01, 0.05, 0.0), (1, 2, 20.0, 0.004, 0.0)]
    net = network([0.5], [1e-6], [2], [0.0, 0.0, 0.0], pipes)
    primed = priming(net, 0.3, 1.0)
    assert primed.missing_l[0] == pytest.approx(0.5 * primed.fill_s / 3600.0, rel=1e-3)


def test_nothing_empty_needs_no_priming():
    primed = priming(plain(), 1.0, 0.0)
    assert primed.fill_s == 0.0 and primed.emptied_l == 0.0
    assert not primed.missing_l.any() and not primed.drained_l.any()
    with pytest.raises(ValueError, match="between 0 and 1"):
        priming(plain(), 1.0, 1.1)


def test_more_level_fills_sooner():
    times = [priming(plain(), level, 0.5).fill_s for level in (0.4, 0.8, 1.6)]
    assert times[0] > times[1] > times[2] > 0.0


@pytest.mark.parametrize("seed", range(3))
def test_priming_water_is_conserved_in_gardens_with_rings(seed):
    primed = priming(random_garden(seed), 1.2, 0.6)
    assert primed.drained_l.sum() == pytest.approx(primed.emptied_l, rel=1e-9)
    assert 0.0 < primed.emptied_l <= 0.6 * primed.line_volume_l * (1.0 + 1e-9)


@pytest.mark.parametrize("seed", [3, 8])
def test_levels_filled_together_fill_as_each_alone(seed):
    net = random_garden(seed)
    levels = [0.0, 0.3, 0.9, 1.6]
    for level, found in zip(levels, primings(net, levels, 0.7), strict=True):
        alone = priming(net, level, 0.7)
        assert found.fill_s == pytest.approx(alone.fill_s, rel=1e-6)
        assert found.missing_l == pytest.approx(alone.missing_l, rel=1e-6, abs=1e-9)
        assert found.drained_l == pytest.approx(alone.drained_l, rel=1e-6, abs=1e-9)


def test_a_priming_curve_is_exact_at_its_levels_straight_between_and_constant_outside():
    net = plain()
    curve = PrimingCurve(net, KNOTS_M, 0.4)
    low, high = priming(net, 0.4, 0.4), priming(net, 0.9, 0.4)
    assert curve.at(0.4).fill_s == pytest.approx(low.fill_s)
    assert curve.at(0.9).fill_s == pytest.approx(high.fill_s)
    between = curve.at(0.65)
    assert between.fill_s == pytest.approx(0.5 * (low.fill_s + high.fill_s))
    np.testing.assert_allclose(between.missing_l, 0.5 * (low.missing_l + high.missing_l))
    assert between.drained_l.sum() == pytest.approx(between.emptied_l)
    assert curve.at(0.1).fill_s == curve.at(0.4).fill_s
    assert curve.at(9.0).fill_s == curve.at(1.4).fill_s


@pytest.mark.parametrize("knots", [(), (1.0,), (1.0, 1.0), (1.0, 0.5)])
def test_a_priming_curve_needs_rising_levels(knots):
    with pytest.raises(ValueError, match="rising"):
        PrimingCurve(plain(), knots, 0.4)
