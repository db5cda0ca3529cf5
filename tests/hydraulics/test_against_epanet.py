"""Every emitter flow against EPANET 2.3 (owa-epanet), the public-domain engine, with the same constants."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from scheduler.hydraulics.epanet import emitter_names, epanet_input
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.examples import EXAMPLES, example_site
from tests.support.networks import plain, random_garden

toolkit = pytest.importorskip("epanet.toolkit")

LEVELS_M = (0.03, 0.1, 0.3, 0.8, 1.5)
WET_HEAD_M = 0.05  # below it an emitter counts as near dry-out
RELATIVE_MAX = 1e-5
NEAR_DRY_MAX_LPH = 1e-3
TRIALS = 200  # as the file sets it


def engine_state(net, level_m, folder):
    """Flow (L/h) and head above each emitter (m) as the engine finds them in the exported file."""
    file = folder / "zone.inp"
    file.write_text(epanet_input(net, level_m, "test"))
    project = toolkit.createproject()
    toolkit.open(project, str(file), str(folder / "zone.rpt"), str(folder / "zone.out"))
    try:
        toolkit.openH(project)
        toolkit.initH(project, 0)
        with warnings.catch_warnings():  # "negative pressures": emitters above the water, which are meant
            warnings.simplefilter("ignore")
            toolkit.runH(project)
        assert toolkit.getstatistic(project, toolkit.ITERATIONS) < TRIALS, "the engine did not converge"
        index = [toolkit.getnodeindex(project, name) for name in emitter_names(net)]
        flow = [toolkit.getnodevalue(project, i, toolkit.DEMAND) * 3600.0 for i in index]
        head = [toolkit.getnodevalue(project, i, toolkit.PRESSURE) for i in index]
        toolkit.closeH(project)
    finally:
        toolkit.close(project)
        toolkit.deleteproject(project)
    return np.array(flow), np.array(head)


def assert_agrees(net, level_m, folder):
    theirs, head = engine_state(net, level_m, folder)
    law = net.k_m3s * 3.6e6 * np.maximum(head, 0.0) ** net.exponent
    law[head <= net.activation_head_m] = 0.0
    own_error = float(np.abs(theirs - law).max())  # its shut emitters still draw 2e-4 L/h
    assert own_error < NEAR_DRY_MAX_LPH, "the engine has not balanced its own emitters"
    ours = solve(net, level_m)
    assert ours.converged
    wet = ours.head_m > WET_HEAD_M
    np.testing.assert_allclose(ours.flow_lph[wet], theirs[wet], rtol=RELATIVE_MAX, atol=own_error)
    np.testing.assert_allclose(ours.flow_lph[~wet], theirs[~wet], rtol=0, atol=NEAR_DRY_MAX_LPH)


@pytest.mark.parametrize("name", sorted(EXAMPLES))
@pytest.mark.parametrize("level_m", LEVELS_M)
def test_every_emitter_of_the_example_gardens_flows_as_in_epanet(name, level_m, tmp_path):
    site = example_site(name)
    for zone in site.zones:
        assert_agrees(zone_network(site, zone), level_m, tmp_path)


@pytest.mark.parametrize("seed", range(20))
def test_random_gardens_with_rings_flow_as_in_epanet(seed, tmp_path):
    for level_m in LEVELS_M:
        assert_agrees(random_garden(seed), level_m, tmp_path)


@pytest.mark.parametrize("mixed", [True, False])
@pytest.mark.parametrize("steep", [True, False])
def test_a_hundred_emitters_flow_as_in_epanet(mixed, steep, tmp_path):
    for level_m in (0.05, 0.3, 1.0, 2.5):
        assert_agrees(plain(mixed=mixed, steep=steep), level_m, tmp_path)
