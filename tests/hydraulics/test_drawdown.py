"""Runs from a falling tank against closed forms, and what must hold for every run."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.pchip import Pchip
from scheduler.hydraulics.priming import priming
from scheduler.hydraulics.solve import solve
from scheduler.hydraulics.uniformity import du_low_quarter, statistical_uniformity
from scheduler.hydraulics.water import density_kgm3, viscosity_pas
from tests.support.networks import one_emitter, plain, random_garden

AREA_M2 = 0.25
NET = plain(steep=True)
DOWN = Drawdown(zone_curve(NET, 2.0), np.array([0.0, 2.0]), np.array([0.0, 2500.0]))


@pytest.mark.parametrize(("exponent", "seconds"), [(0.5, 121864.0), (0.9, 139330.4), (1.0, 144849.4)])
def test_emptying_takes_the_closed_form_time(exponent, seconds):
    """t = A/k (h0^(1-x) - h1^(1-x))/(1-x), A/k ln(h0/h1) for x = 1; k 10 L/h, 1.5 -> 0.3 m."""
    curve = zone_curve(one_emitter(10.0, exponent), 1.6)
    down = Drawdown(curve, np.array([0.0, 1.6]), np.array([0.0, 1600.0 * AREA_M2]))
    drawn = down.run_to_level(1.5, 0.3)
    assert drawn.run_s == pytest.approx(seconds, rel=1e-6)
    assert drawn.volume_l == pytest.approx(300.0)
    assert down.run(1.5, seconds).level_end_m == pytest.approx(0.3, abs=1e-5)


def test_with_water_running_in_the_level_settles_where_both_are_equal():
    """x = 1: dV/dt = I - k V/A, so V(t) - V* falls as exp(-k t/A), V* = I A/k."""
    down = Drawdown(zone_curve(one_emitter(10.0, 1.0), 1.6), np.array([0.0, 1.6]), np.array([0.0, 400.0]))
    drawn = down.run(1.5, 86400.0, inflow_lph=5.0)
    level = 0.5 + 1.0 * math.exp(-10.0 * 24.0 / (1000.0 * AREA_M2))
    assert drawn.level_end_m == pytest.approx(level, abs=1e-4)
    assert drawn.volume_l == pytest.approx((1.5 - level) * 250.0 + 120.0, rel=1e-4)


@pytest.mark.parametrize("inflow_lph", [0.5, 4.0])
def test_falling_to_a_level_against_inflow_takes_the_closed_form_time(inflow_lph):
    """x = 1: t = A/k ln((h0 - h*) / (h1 - h*)) with h* = I/k."""
    down = Drawdown(zone_curve(one_emitter(10.0, 1.0), 1.6), np.array([0.0, 1.6]), np.array([0.0, 400.0]))
    still = inflow_lph / 10.0
    hours = 1000.0 * AREA_M2 / 10.0 * math.log((1.5 - still) / (0.6 - still))
    drawn = down.run_to_level(1.5, 0.6, inflow_lph=inflow_lph)
    assert drawn.run_s / 3600.0 == pytest.approx(hours, rel=1e-4)
    assert drawn.level_end_m == pytest.approx(0.6, abs=1e-4)
    assert drawn.volume_l == pytest.approx(0.9 * 250.0 + inflow_lph * hours, rel=1e-4)
    with pytest.raises(ValueError, match="never falls"):
        down.run_to_level(1.5, 0.3, inflow_lph=3.5)


def test_a_volume_is_given_against_inflow_in_the_closed_form_time():
    """x = 1, inflow that holds the level: q = k h all the time, so 40 L at 10 L/h x 0.8 m take 5 h."""
    down = Drawdown(zone_curve(one_emitter(10.0, 1.0), 1.6), np.array([0.0, 1.6]), np.array([0.0, 400.0]))
    drawn = down.run_for_volume(0.8, 40.0, inflow_lph=8.0)
    assert drawn.run_s == pytest.approx(5.0 * 3600.0, rel=1e-5)
    assert drawn.level_end_m == pytest.approx(0.8, abs=1e-5)


@settings(max_examples=15, deadline=None)
@given(st.floats(1.1, 2.0), st.floats(1.0, 400.0), st.floats(1.0, 150.0))
def test_a_volume_with_inflow_turns_back_into_its_time(level_m, volume_l, inflow_lph):
    drawn = DOWN.run_for_volume(level_m, volume_l, inflow_lph=inflow_lph)
    again = DOWN.run(level_m, drawn.run_s, inflow_lph=inflow_lph)
    assert again.volume_l == pytest.approx(volume_l, rel=1e-6)


def test_links_that_lose_the_square_of_the_flow_slow_the_emptying_by_the_closed_form():
    """x = 0.5 and c = b Q^2 give Q = k sqrt(h - b Q^2) = k sqrt(h / (1 + b k^2)): a smaller k."""
    loss = 0.3 / 10.0**2  # m per (L/h)^2: 1 + b k^2 = 1.3
    down = Drawdown(
        zone_curve(one_emitter(10.0, 0.5), 1.6), np.array([0.0, 1.6]), np.array([0.0, 1600.0 * AREA_M2]),
        outlet_offset_m=lambda flow_lph: loss * flow_lph**2,
    )  # fmt: skip
    drawn = down.run_to_level(1.5, 0.3)
    assert drawn.run_s == pytest.approx(121864.0 * math.sqrt(1.3), rel=1e-5)
    assert drawn.volume_l == pytest.approx(300.0)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 2.0), st.floats(0.0, 2e5), st.floats(0.2, 1.5), st.floats(0.0, 200.0))
def test_volume_is_conserved(level_m, run_s, factor, inflow_lph):
    drawn = DOWN.run(level_m, run_s, flow_factor=factor)
    assert drawn.litres.sum() == pytest.approx(drawn.volume_l, rel=1e-9, abs=1e-9)
    assert (level_m - drawn.level_end_m) * 1250.0 == pytest.approx(drawn.volume_l, rel=1e-9, abs=1e-9)
    assert (drawn.litres >= 0.0).all()


@settings(max_examples=40, deadline=None)
@given(st.floats(1.1, 2.0), st.floats(1.0, 3e4))
def test_time_and_litres_turn_back_into_each_other(level_m, run_s):
    drawn = DOWN.run(level_m, run_s)
    assert DOWN.run_to_level(level_m, drawn.level_end_m).run_s == pytest.approx(run_s, rel=1e-6)
    assert DOWN.run_for_volume(level_m, drawn.volume_l).run_s == pytest.approx(run_s, rel=1e-6)


def test_litres_through_dry_outs_agree_with_small_time_steps():
    """Runge-Kutta on live solves, 40 steps; emitters fall dry on the way.

    The reference's own errors here are 3.4e-6 m and 6 mL (against 640 steps): a step across a dry-out is
    only of order 1.5, as the flow there starts like a root.
    """
    level, step_h, given_l = 1.2, 0.25, np.zeros(100)
    for _ in range(40):
        a = solve(NET, level)
        b = solve(NET, level - a.total_lph * step_h / 2 / 1250.0)
        c = solve(NET, level - b.total_lph * step_h / 2 / 1250.0)
        d = solve(NET, level - c.total_lph * step_h / 1250.0)
        mean = (a.flow_lph + 2 * b.flow_lph + 2 * c.flow_lph + d.flow_lph) / 6
        given_l += mean * step_h
        level -= mean.sum() * step_h / 1250.0
    drawn = DOWN.run(1.2, 36000.0)
    np.testing.assert_allclose(drawn.litres, given_l, rtol=1e-3, atol=0.005)
    assert drawn.level_end_m == pytest.approx(level, abs=1e-5)


def test_a_run_through_dry_outs_hardly_depends_on_the_tables_fineness():
    """Sixteen times the levels move the litres by less than 1 mL and the level by less than 0.01 mm."""
    fine = Drawdown(zone_curve(NET, 2.0, levels=1024), np.array([0.0, 2.0]), np.array([0.0, 2500.0]))
    for level_m, run_s in ((1.2, 36000.0), (0.7, 7200.0), (1.9, 90000.0)):
        coarse_run, fine_run = DOWN.run(level_m, run_s), fine.run(level_m, run_s)
        np.testing.assert_allclose(coarse_run.litres, fine_run.litres, rtol=1e-4, atol=0.001)
        assert coarse_run.level_end_m == pytest.approx(fine_run.level_end_m, abs=1e-5)


def test_the_balanced_run_is_the_best_of_all_run_times():
    targets = {f"plant{i}": 2.0 + i % 5 for i in range(100)}
    best = DOWN.balanced_run(1.8, targets, max_run_s=1e6, level_floor_m=0.2)
    wanted = np.array(list(targets.values()))

    def worst(run_s):
        return float(np.abs(DOWN.run(1.8, run_s).litres / wanted - 1.0).max())

    assert worst(best.run_s) <= min(worst(t) for t in np.linspace(600.0, 20000.0, 400)) + 1e-6
    assert DOWN.balanced_run(1.8, targets, max_run_s=60.0, level_floor_m=0.2).run_s == pytest.approx(60.0)
    assert DOWN.balanced_run(1.8, targets, max_run_s=1e6, level_floor_m=1.79).level_end_m >= 1.79 - 1e-9


def test_every_emitter_flows_just_above_the_level_at_which_the_worst_stops():
    stops = DOWN.curve.worst_emitter_stops_m
    assert (solve(NET, stops + 1e-3).flow_lph > 0.0).all()
    assert (solve(NET, stops - 1e-3).flow_lph == 0.0).any()


def test_curve_between_its_levels_is_the_solution():
    curve = zone_curve(random_garden(3), 1.6)
    for level in np.linspace(0.3, 1.59, 9):
        solved = solve(random_garden(3), float(level))
        np.testing.assert_allclose(curve.flows_lph(float(level)), solved.flow_lph, rtol=1e-3, atol=0.01)


def test_priming_water_is_conserved_and_comes_back_at_the_low_places():
    for share in (0.3, 1.0):
        primed = priming(plain(), 1.0, share)
        assert primed.emptied_l == pytest.approx(share * primed.line_volume_l, rel=1e-9)
        assert primed.drained_l.sum() == pytest.approx(primed.emptied_l, rel=1e-9)
        assert (primed.missing_l >= 0.0).all() and primed.fill_s > 0.0
    low = plain().elevation_m.argmin()
    assert primed.drained_l[low] > 3.0 * np.median(primed.drained_l)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 10.0), min_size=3, max_size=12))
def test_a_rising_table_stays_rising_between_its_knots(steps):
    x = np.arange(len(steps), dtype=float)
    between = Pchip(x, np.cumsum(steps)[:, None]).at_all(np.linspace(0.0, x[-1], 200))
    assert (np.diff(between[:, 0]) >= -1e-9).all()


@pytest.mark.parametrize(("celsius", "mpas", "kgm3"), [(5, 1.51817, 999.966), (10, 1.30590, 999.701),
                         (20, 1.00160, 998.205), (30, 0.79722, 995.651)])  # fmt: skip
def test_water_is_that_of_iapws(celsius, mpas, kgm3):
    """IAPWS-97/-95 at 0.1 MPa by the iapws library; the correlation is stated as within 0.1 %."""
    assert viscosity_pas(celsius) * 1000.0 == pytest.approx(mpas, rel=1e-3)
    assert density_kgm3(celsius) == pytest.approx(kgm3, abs=0.01)


def test_uniformity_of_a_worked_set():
    """By hand: lowest quarter of 1..8 is 1, 2; mean 1.5 over 4.5."""
    assert du_low_quarter(range(1, 9)) == pytest.approx(1.5 / 4.5)
    assert statistical_uniformity([1, 2, 3]) == pytest.approx(0.5)
