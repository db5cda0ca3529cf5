"""The solver by itself: laws that hold for every network, checked without the solver's own code."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.hydraulics.constants import STANDARD_GRAVITY_MS2, kv_to_k
from scheduler.hydraulics.friction import friction_factor
from scheduler.hydraulics.solve import solve, solve_levels
from tests.support.engine import independent_errors
from tests.support.networks import hard, network, plain, random_garden

HEAD_ERROR_MAX_M = 2e-8


def test_a_thousand_hard_networks_converge_and_obey_every_law():
    for seed in range(1000):
        net = hard(seed)
        flows = solve(net, float(np.random.default_rng(seed).uniform(0.02, 2.5)))
        head_error, imbalance = independent_errors(net, flows)
        assert flows.converged, f"seed {seed}"
        assert head_error < HEAD_ERROR_MAX_M, f"seed {seed}: heads miss by {head_error} m"
        assert imbalance < 1e-14, f"seed {seed}"
        assert (flows.flow_lph >= 0.0).all(), f"seed {seed}"


@pytest.mark.parametrize("seed", [77, 187, 265, 1089, 1120, 1369])
def test_emitters_that_shut_and_open_in_turn_do_not_keep_a_network_from_its_solution(seed):
    """With steps that need not lessen the content, these go round in circles at some of the levels."""
    net = hard(seed)
    levels = np.linspace(0.0, 2.5, 24)
    table = solve_levels(net, levels)
    assert table.converged.all()
    for level in levels[1::2]:
        flows = solve(net, float(level))
        head_error, imbalance = independent_errors(net, flows)
        assert flows.converged and head_error < HEAD_ERROR_MAX_M and imbalance < 1e-14
        np.testing.assert_allclose(table.flow_lph[levels == level][0], flows.flow_lph, rtol=1e-5, atol=1e-5)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.0, 2.0), st.floats(0.001, 0.5))
def test_more_head_never_gives_less_flow(seed, level_m, more_m):
    net = hard(seed)
    low, high = solve(net, level_m), solve(net, level_m + more_m)
    assert (high.flow_lph >= low.flow_lph - 1e-6).all()


@pytest.mark.parametrize("seed", range(5))
def test_many_levels_at_once_give_what_single_levels_give(seed):
    net = random_garden(seed)
    levels = np.linspace(0.0, 2.0, 40)
    table = solve_levels(net, levels)
    for row in (0, 7, 39):
        single = solve(net, float(levels[row]))
        np.testing.assert_allclose(table.flow_lph[row], single.flow_lph, rtol=1e-6, atol=1e-6)


def test_nothing_flows_when_the_water_stands_below_the_outlet():
    assert solve(plain(), -0.01).total_lph == 0.0
    assert (solve_levels(plain(), np.array([-0.01, 0.5])).flow_lph[0] == 0.0).all()


def test_an_emitter_above_the_water_gives_nothing_and_draws_no_air():
    net = network([2, 2], [0.5, 0.5], [1, 2], [0, 0, 0.5], [(0, 1, 1, 0.0136, 0), (1, 2, 1, 0.0136, 0)])
    flows = solve(net, 0.3)
    assert flows.flow_lph[1] == 0.0 and flows.flow_lph[0] > 1.0


def test_the_two_halves_of_a_ring_fed_at_one_tee_carry_the_same():
    net = network(
        [5.0], [0.5], [3], [0, 0, 0, 0, 0],
        [(0, 1, 1, 0.0136, 0), (1, 2, 2, 0.0136, 0), (2, 3, 1, 0.0136, 0), (1, 4, 2, 0.0136, 0),
         (4, 3, 1, 0.0136, 0)],
    )  # fmt: skip
    flows = solve(net, 1.0)
    assert flows.pipe_flow_lph[1] == pytest.approx(flows.pipe_flow_lph[3], rel=1e-9)
    assert flows.pipe_flow_lph[1] == pytest.approx(flows.flow_lph[0] / 2, rel=1e-9)


def test_hagen_poiseuille():
    """2 L/h through 1 m of 4 mm at mu 1.0016 mPa s loses 88.561 Pa (128 mu L Q / (pi D^4))."""
    net = network([2.0], [1e-9], [1], [0, 0], [(0, 1, 1.0, 0.004, 0.0)])
    flows = solve(net, 1.0)
    lost_pa = (flows.node_head_m[0] - flows.node_head_m[1]) * 998.205 * STANDARD_GRAVITY_MS2
    assert lost_pa == pytest.approx(88.561, rel=1e-3)


def test_flow_coefficient_of_a_valve():
    """IEC 60534: Kv 4 on 20 mm is K = 15.9888; fluids.Kv_to_K gives 16.0 with a rounded constant."""
    fluids = pytest.importorskip("fluids")
    assert kv_to_k(4.0, 0.020) == pytest.approx(15.9888, rel=1e-5)
    assert kv_to_k(4.0, 0.020) == pytest.approx(fluids.Kv_to_K(4.0, 0.020), rel=1e-3)


@pytest.mark.parametrize(("reynolds", "expected"), [(4000, 0.040668), (1e4, 0.031149), (1e5, 0.018452)])
def test_turbulent_friction_is_swamee_jain(reynolds, expected):
    """fluids.friction.Swamee_Jain_1976 at e/D = 1e-4."""
    assert float(friction_factor(reynolds, 1e-4)) == pytest.approx(expected, rel=3e-5)


def test_friction_is_continuous_through_the_transition():
    """EPANET 2.2 manual, appendix D.1: Dunlop's cubic joins 64/Re at 2000 and Swamee-Jain at 4000."""
    for edge in (2000.0, 4000.0):
        below, above = friction_factor(np.array([edge - 1e-6, edge + 1e-6]), 1e-4)
        assert below == pytest.approx(above, rel=1e-7)
    assert float(friction_factor(1000.0, 1e-4)) == pytest.approx(0.064)
