"""Litres of a falling-head run against the extended-period simulation of EPANET 2.3 (owa-epanet).

EPANET steps a tank forward by Euler's rule, so its error falls in proportion to its time step. Our run, which
takes no steps, must lie within that error and agree with EPANET extrapolated to steps of no length.
"""

from __future__ import annotations

import ctypes
import math
import warnings

import numpy as np
import pytest

from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.epanet import emitter_names, epanet_input
from tests.support.networks import plain

toolkit = pytest.importorskip("epanet.toolkit")

AREA_M2 = 1.25
START_M = 1.5
RUN_S = 7200
STEPS_S = (60, 10, 2)


def engine_run(net, step_s, folder):
    """Level at the end (m) and litres of each emitter as EPANET steps through the run."""
    text = epanet_input(net, START_M, "falling head")
    diameter = math.sqrt(4.0 * AREA_M2 / math.pi)
    tank = f"[TANKS]\n OUTLET 0 {START_M} 0 5 {diameter!r} 0"
    text = text.replace(f"[RESERVOIRS]\n OUTLET {START_M}", tank)
    times = f" DURATION 0:00:{RUN_S}\n HYDRAULIC TIMESTEP 0:00:{step_s}"
    text = text.replace(" DURATION 0", times)
    assert tank in text and times in text
    file = folder / f"falling{step_s}.inp"
    file.write_text(text)
    project = toolkit.createproject()
    toolkit.open(project, str(file), str(file) + ".rpt", str(file) + ".out")
    try:
        names = emitter_names(net)
        toolkit.openH(project)
        toolkit.initH(project, 0)
        index = np.array([toolkit.getnodeindex(project, name) for name in names]) - 1
        outlet = toolkit.getnodeindex(project, "OUTLET")
        litres, spent = np.zeros(len(names)), 0
        count = toolkit.getcount(project, toolkit.NODECOUNT)
        values = toolkit.doubleArray(count)
        demands = np.ctypeslib.as_array(
            ctypes.cast(int(values.cast()), ctypes.POINTER(ctypes.c_double)), shape=(count,)
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            while True:
                toolkit.runH(project)
                toolkit.getnodevalues(project, toolkit.DEMAND, values)
                flows = demands[index]
                step = toolkit.nextH(project)
                if step == 0:
                    break
                litres += flows * step
                spent += step
        assert spent == RUN_S
        level = toolkit.getnodevalue(project, outlet, toolkit.PRESSURE)
        toolkit.closeH(project)
    finally:
        toolkit.close(project)
        toolkit.deleteproject(project)
    return level, litres


@pytest.mark.parametrize("mixed", [True, False])
def test_litres_of_a_falling_head_run_are_epanets_without_its_step_error(mixed, tmp_path):
    net = plain(mixed=mixed)
    down = Drawdown(zone_curve(net, 2.0), np.array([0.0, 2.0]), np.array([0.0, 2000.0 * AREA_M2]))
    ours = down.run(START_M, RUN_S)
    (level_60, litres_60), (level_10, litres_10), (level_2, litres_2) = (
        engine_run(net, step, tmp_path) for step in STEPS_S
    )
    # First order: the error at 2 s is a quarter of the change from 10 s to 2 s.
    litres = litres_2 + (litres_2 - litres_10) / 4.0
    level = level_2 + (level_2 - level_10) / 4.0
    for error_s, found in ((60, litres_60), (10, litres_10), (2, litres_2)):
        bound = 1.5 * error_s / 10.0 * np.abs(litres_10 - litres)
        assert (np.abs(ours.litres - found) <= bound + LITRES_TOLERANCE * litres).all(), f"{error_s} s"
    np.testing.assert_allclose(ours.litres, litres, rtol=LITRES_TOLERANCE)
    assert ours.level_end_m == pytest.approx(level, abs=1e-5)
    assert abs(level_60 - level) == pytest.approx(6.0 * abs(level_10 - level), rel=0.2), "not first order"


# EPANET balances flows to 1e-5 and so did single solves; its extrapolated litres are no better.
LITRES_TOLERANCE = 1e-5
