"""A falling-head run as an EPANET file: it opens without a warning and gives the same flows and litres."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.epanet import emitter_names, epanet_run_input
from scheduler.hydraulics.network import zone_network
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Barrel, Tank
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import stage_storage
from tests.support.networks import network, plain

toolkit = pytest.importorskip("epanet.toolkit")

RUN_S = 7200
# EPANET's steps of 10 s (Euler) cost up to 3e-5 of the litres of these runs: first order, see
# test_falling_head_against_epanet.
LITRES_TOLERANCE = 5e-5
FLOW_TOLERANCE = 1e-5
LEVEL_TOLERANCE_M = 5e-6
LYING = Tank((Barrel("drum", "lying", 0.4, 0.58, diameter_m=0.6, length_m=1.4),), 0.45)


def engine_run(text, net, folder):
    """Litres of each emitter, its first and last flow (L/h) and the level left; no warning is allowed."""
    file, report = folder / "run.inp", folder / "run.rpt"
    file.write_text(text)
    project = toolkit.createproject()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        toolkit.open(project, str(file), str(report), str(folder / "run.out"))
        toolkit.openH(project)
        toolkit.initH(project, 0)
        index = [toolkit.getnodeindex(project, name) for name in emitter_names(net)]
        tank = toolkit.getnodeindex(project, "BARRELS" if "BARRELS" in text else "OUTLET")
        litres, flows = np.zeros(len(index)), []
        while True:
            toolkit.runH(project)
            flows.append(np.array([toolkit.getnodevalue(project, i, toolkit.DEMAND) for i in index]))
            step = toolkit.nextH(project)
            if step == 0:
                break
            litres += flows[-1] * step
        level = toolkit.getnodevalue(project, tank, toolkit.PRESSURE)
        toolkit.closeH(project)
        toolkit.close(project)
    toolkit.deleteproject(project)
    assert "WARNING" not in report.read_text()
    return litres, flows[0] * 3600.0, flows[-1] * 3600.0, level


def assert_same_run(net, tank, level_m, folder, *, litres=LITRES_TOLERANCE, flow=FLOW_TOLERANCE):
    stage = stage_storage(tank)
    # A float of the stage table, a joint's loss by the flow: what the planner takes as well.
    offset = None if tank.link is None else lambda flow_lph: link_offset_m(tank, flow_lph)
    text = epanet_run_input(
        net, stage.levels_m, stage.volumes_l, level_m, RUN_S, "run", outlet_offset_m=offset
    )
    curve = zone_curve(net, stage.brim_level_m)
    ours = Drawdown(curve, stage.levels_m, stage.volumes_l, outlet_offset_m=offset).run(level_m, RUN_S)
    theirs, first, last, level = engine_run(text, net, folder)
    largest = ours.litres.max()
    assert ours.volume_l > 5.0
    np.testing.assert_allclose(theirs, ours.litres, rtol=0, atol=litres * largest)
    assert theirs.sum() == pytest.approx(ours.volume_l, rel=litres)
    assert level == pytest.approx(ours.level_end_m, abs=LEVEL_TOLERANCE_M)
    for mean_m, engine in ((level_m, first), (ours.level_end_m, last)):
        lost = 0.0
        for _ in range(60):
            flows = curve.flows_lph(mean_m - lost)
            lost = 0.0 if offset is None else 0.5 * (lost + offset(float(flows.sum())))
        np.testing.assert_allclose(engine, flows, rtol=0, atol=flow * flows.max())
    return text


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_the_file_of_an_example_gardens_run_opens_in_epanet_and_gives_the_same_litres(name, tmp_path):
    site = example_site(name)
    stage = stage_storage(site.tank)
    for zone in site.zones:
        net = zone_network(site, zone)
        for share in (0.9, 0.5):
            assert_same_run(net, site.tank, share * stage.brim_level_m, tmp_path)


def test_a_lying_drum_is_drawn_by_its_volume_curve(tmp_path):
    site = example_site("five-drums")
    net = zone_network(site, site.zones[0])
    text = assert_same_run(net, LYING, 0.5, tmp_path)
    assert " STAGE " in text
    below = replace(LYING, outlet_height_m=0.4)  # from the bottom of the drum, where it is narrow
    assert_same_run(net, below, 0.3, tmp_path)


def test_three_exponents_are_fitted_over_the_heads_of_the_run(tmp_path):
    pipes = [(0, 1, 5.0, 0.020, 20.0), *((i, i + 1, 2.0, 0.0136, 0.0) for i in range(1, 6))]
    net = network([4, 6, 8, 5, 7], [0.5, 0.65, 0.9, 0.5, 0.75], [2, 3, 4, 5, 6],
                  [0, -0.2, -0.3, -0.2, -0.4, -0.1, -0.3], pipes)  # fmt: skip
    text = assert_same_run(net, LYING, 0.5, tmp_path, litres=2e-4, flow=5e-4)
    assert "Fitted laws miss theirs by up to 0.0" in text


def test_emitters_dry_from_the_start_are_closed_in_the_file(tmp_path):
    net = plain(steep=True)
    tank = Tank((Barrel("box", "box", 0.0, 1.2, length_m=2.5, width_m=1.0),), 0.0)
    # Near dry-out, 1 mL and 1e-3 L/h (as for single levels) of at most 3.8 L and 1.9 L/h.
    text = assert_same_run(net, tank, 0.45, tmp_path, litres=2.6e-4, flow=5e-4)
    dry = zone_curve(net, 1.2).flows_lph(0.45) == 0.0
    assert dry.sum() > 5
    written = text.split("[DEMANDS]")[1]
    for name, is_dry in zip(emitter_names(net), dry, strict=True):
        assert (f"\n {name} " in written) is not bool(is_dry)


@pytest.mark.parametrize(("level_m", "run_s"), [(0.0, 60), (0.7, 60), (0.3, 0), (0.3, 10.5)])
def test_a_run_outside_the_barrels_or_of_no_time_is_refused(level_m, run_s):
    stage = stage_storage(LYING)
    with pytest.raises(ValueError, match="no run"):
        epanet_run_input(plain(), stage.levels_m, stage.volumes_l, level_m, run_s)
