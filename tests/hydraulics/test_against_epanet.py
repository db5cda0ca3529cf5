"""Every emitter flow against EPANET 2.3 (owa-epanet), the public-domain engine, with the same constants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Emitter, Joint, Line, Point, Zone
from tests.support.engine import engine_state
from tests.support.networks import plain, random_garden

pytest.importorskip("epanet.toolkit")

LEVELS_M = (0.03, 0.1, 0.3, 0.8, 1.5)
WET_HEAD_M = 0.05  # below it an emitter counts as near dry-out
RELATIVE_MAX = 1e-5
NEAR_DRY_MAX_LPH = 1e-3
LAW_RESIDUAL_MAX = 1e-8  # q - k h^x of the engine itself, relative: it has balanced its emitters
TRIALS = 200  # as the file sets it


def assert_agrees(net, level_m, folder):
    """Wet emitters within 1e-5, the others within 1e-3 L/h, with no allowance for the engine's own error.

    The engine's emitters above the water still draw up to 8e-4 L/h each (its smooth barrier against backward
    flow), which on the way costs the wet ones up to 2e-5: those are compared once more with the shut ones
    closed in the engine's file.
    """
    exact = net.activation_head_m == 0.0
    assert exact.all() and len(set(net.exponent.tolist())) <= 2, "the file is exact for two exponents only"
    theirs, head, trials = engine_state(net, level_m, folder)
    assert trials < TRIALS, "the engine did not converge"
    law = net.k_m3s * 3.6e6 * np.maximum(head, 0.0) ** net.exponent
    ours = solve(net, level_m)
    assert ours.converged
    wet = ours.head_m > WET_HEAD_M
    assert float(np.abs(theirs - law)[~wet].max(initial=0.0)) < NEAR_DRY_MAX_LPH
    np.testing.assert_allclose(ours.flow_lph[~wet], theirs[~wet], rtol=0, atol=NEAR_DRY_MAX_LPH)
    shut = ours.flow_lph == 0.0
    if shut.any():
        theirs, head, trials = engine_state(
            replace(net, k_m3s=np.where(shut, 0.0, net.k_m3s), cache={}), level_m, folder
        )
        assert trials < TRIALS, "the engine did not converge"
        law = net.k_m3s * 3.6e6 * np.maximum(head, 0.0) ** net.exponent
    np.testing.assert_allclose(theirs[wet], law[wet], rtol=LAW_RESIDUAL_MAX)
    np.testing.assert_allclose(ours.flow_lph[wet], theirs[wet], rtol=RELATIVE_MAX)


@pytest.mark.parametrize("name", sorted(EXAMPLES))
@pytest.mark.parametrize("level_m", LEVELS_M)
def test_every_emitter_of_the_example_gardens_flows_as_in_epanet(name, level_m, tmp_path):
    site = example_site(name)
    for zone in site.zones:
        assert_agrees(zone_network(site, zone), level_m, tmp_path)


@pytest.mark.parametrize("level_m", LEVELS_M)
def test_a_described_ring_fed_at_both_ends_flows_as_in_epanet(level_m, tmp_path):
    site = example_site("five-drums")
    start, end = Joint("main", 2.0), Joint("main", 12.0)
    spots = tuple(
        Point(0.5 + i, 0.02 * i, (Emitter(f"e{i}", "inline", None, 2.0, (0.5, 0.9)[i % 2]),))
        for i in range(24)
    )
    main = Line("main", None, None, 0.016, 12.0, (Point(0.0, 0.1), Point(12.0, 0.4)))
    ring = Line("ring", start, end, 0.0136, 25.0, spots)
    net = zone_network(site, Zone("z", "Zone", site.zones[0].valve, (main, ring)))
    assert_agrees(net, level_m, tmp_path)
    inner = solve(net, level_m).pipe_flow_lph[net.pipe_bore_m == 0.0136]
    assert (inner > 0.0).any() and (inner < 0.0).any(), "fed from both ends"


@pytest.mark.parametrize("seed", range(20))
def test_random_gardens_with_rings_flow_as_in_epanet(seed, tmp_path):
    for level_m in LEVELS_M:
        assert_agrees(random_garden(seed), level_m, tmp_path)


@pytest.mark.parametrize("mixed", [True, False])
@pytest.mark.parametrize("steep", [True, False])
def test_a_hundred_emitters_flow_as_in_epanet(mixed, steep, tmp_path):
    for level_m in (0.05, 0.3, 1.0, 2.5):
        assert_agrees(plain(mixed=mixed, steep=steep), level_m, tmp_path)


def test_the_engines_shut_emitters_draw_and_that_alone_costs_the_wet_ones_two_hundred_thousandths(tmp_path):
    net = plain(mixed=True, steep=True)
    ours = solve(net, 0.3)
    shut = ours.flow_lph == 0.0
    theirs, head, _ = engine_state(net, 0.3, tmp_path)
    assert shut.sum() > 10
    assert (head[shut] < 0.0).all() and (np.abs(theirs[shut]) > 1e-6).any()
    closed, _, _ = engine_state(replace(net, k_m3s=np.where(shut, 0.0, net.k_m3s), cache={}), 0.3, tmp_path)
    wet = ours.head_m > WET_HEAD_M

    def miss(flow):
        return float(np.abs(ours.flow_lph[wet] / flow[wet] - 1.0).max())

    assert miss(theirs) > RELATIVE_MAX > miss(closed)
