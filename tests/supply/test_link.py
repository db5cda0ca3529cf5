"""Joints between barrels: friction as the EPANET manual has it, and the gap in a row of five."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from scheduler.site.model import Barrel, BarrelLink, Tank
from scheduler.supply.barrel import barrel_litres
from scheduler.supply.link import friction_factor, joint_loss_m, joint_losses_m
from scheduler.supply.stage import link_offset_m, stage_storage

# Measured here with an independent N-barrel ODE for 5 x 0.25 m2 in a row, 300 L/h at the end, joints of 1 m,
# K 3, 10 degC: bore in m, the steps at each joint and the gap between the last barrel and the mean, in mm.
ROW = [
    (0.025, [3.9, 2.3, 1.2, 0.4], 5.1),
    (0.019, [14.0, 7.0, 3.5, 1.2], 17.0),
    (0.013, [76.0, 44.0, 17.0, 6.0], 94.0),
]


def row(bore_m: float, n: int = 5) -> Tank:
    barrels = tuple(Barrel(str(i), "box", 0.0, 1.0, length_m=0.5, width_m=0.5) for i in range(n))
    return Tank(barrels, 0.05, BarrelLink(bore_m, 1.0, 3.0))


@pytest.mark.parametrize(("bore_m", "steps_mm", "mean_mm"), ROW)
def test_the_outlet_barrel_stands_lower_by_the_measured_gap(
    bore_m: float, steps_mm: list[float], mean_mm: float
):
    steps = joint_losses_m([0.25] * 5, BarrelLink(bore_m, 1.0, 3.0), 300.0)
    assert [1000 * s for s in steps] == pytest.approx(steps_mm, rel=0.04, abs=0.5)
    # The ODE's mean is that of a falling row after its build-up, a little under the steady one.
    assert 1000 * link_offset_m(row(bore_m), 300.0) == pytest.approx(mean_mm, rel=0.02)


@pytest.mark.parametrize(
    ("reynolds", "expected"),
    # fluids 1.3.1, Swamee_Jain_1976 with relative roughness 1e-4; 64/Re is Hagen and Poiseuille's.
    [(4000.0, 0.040668), (1e4, 0.031149), (1e5, 0.018452), (1000.0, 0.064), (2000.0, 0.032)],
)
def test_friction_is_that_of_the_general_reference(reynolds: float, expected: float):
    assert friction_factor(reynolds, 1e-4) == pytest.approx(expected, abs=1e-6)


def test_friction_between_laminar_and_turbulent_is_epanets():
    # EPANET 2.3 at Re 3000 in a smooth pipe: 0.0331.
    assert friction_factor(3000.0, 1e-4) == pytest.approx(0.0331, abs=5e-5)


def test_friction_has_no_jump_where_the_flow_turns():
    for edge in (2000.0, 4000.0):
        assert friction_factor(edge - 1e-6, 1e-4) == pytest.approx(
            friction_factor(edge + 1e-6, 1e-4), abs=1e-6
        )


def test_laminar_loss_is_hagen_and_poiseuilles():
    # 2 L/h through 1 m of 4 mm bore: 9.047 mm at 20 degC and 1.0016 mPa s; the loss goes with viscosity, and
    # at 10 degC nu is 1.30629 against 1.00340 mm2/s (IAPWS-97).
    loss = joint_loss_m(BarrelLink(0.004, 1.0, 0.0), 2.0)
    assert loss == pytest.approx(0.009047 * 1.30629 / 1.00340, rel=1e-3)


def test_no_flow_one_barrel_or_wide_joints_leave_no_gap():
    assert link_offset_m(row(0.025), 0.0) == 0.0
    assert link_offset_m(row(0.025, n=1), 300.0) == 0.0
    assert link_offset_m(Tank(row(0.025).barrels, 0.05), 300.0) == 0.0


def test_a_barrel_whose_base_stands_dry_gives_no_water_and_makes_no_gap():
    low, high = row(0.013, 2).barrels[0], Barrel("high", "box", 0.6, 1.0, length_m=0.5, width_m=0.5)
    tank = Tank((low, high), 0.05, BarrelLink(0.013, 1.0, 3.0))
    assert link_offset_m(tank, 300.0, level_m=0.3) == 0.0
    assert link_offset_m(tank, 300.0, level_m=0.9) > 0.0


@given(st.floats(1, 500), st.floats(1.01, 3))
def test_more_flow_always_makes_a_greater_gap(flow_lph: float, factor: float):
    assert link_offset_m(row(0.019), flow_lph * factor) > link_offset_m(row(0.019), flow_lph)


MIXED = (
    Barrel("t", "taper", 0.0, 0.85, diameter_m=0.5, top_diameter_m=0.62),
    Barrel("l", "lying", 0.2, 0.57, diameter_m=0.57, length_m=0.9),
    Barrel("c", "taper", 0.05, 0.8, diameter_m=0.5, top_diameter_m=0.5, middle_diameter_m=0.6, tilt_m=0.03),
    Barrel("m", "table", 0.1, 0.7, table=((0.2, 30.0), (0.7, 160.0))),
)


def level_of(barrel: Barrel, litres: float) -> float:
    return float(brentq(lambda z: barrel_litres(barrel, z - barrel.base_height_m) - litres, -0.1, 0.9))


def flow_through(link: BarrelLink, head_m: float) -> float:
    if abs(head_m) < 1e-9:
        return 0.0
    flow = float(brentq(lambda q: joint_loss_m(link, q) - abs(head_m), 0.0, 5000.0))
    return flow if head_m > 0 else -flow


@pytest.mark.parametrize("start_m", [0.7, 0.5])
def test_a_row_of_unlike_barrels_settles_to_the_stated_gap_while_it_is_drawn(start_m: float):
    # The reference steps each barrel's litres through time; only the joints' loss is shared with the formula.
    link, draw_lph, step_s = BarrelLink(0.019, 1.0, 3.0), 200.0, 2.0
    tank = Tank(MIXED, 0.05, link)
    held = [barrel_litres(b, start_m - b.base_height_m) for b in MIXED]
    for _ in range(150):
        levels = [level_of(b, v) for b, v in zip(MIXED, held, strict=True)]
        flows = [flow_through(link, far - near) for near, far in pairwise(levels)]
        for i, flow in enumerate(flows):
            held[i] += flow * step_s / 3600
            held[i + 1] -= flow * step_s / 3600
        held[0] -= draw_lph * step_s / 3600
    levels = [level_of(b, v) for b, v in zip(MIXED, held, strict=True)]
    mean_m = stage_storage(tank).level_m(sum(held) - stage_storage(tank).litres_below_outlet)
    gap_m = mean_m + tank.outlet_height_m - levels[0]
    assert link_offset_m(tank, draw_lph, mean_m) == pytest.approx(gap_m, rel=0.05)
