"""Laterals, orifices and emptying against closed forms of the handbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from scheduler.hydraulics.constants import kv_to_k
from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.solve import solve
from scheduler.hydraulics.water import density_kgm3, kinematic_viscosity_m2s, viscosity_pas
from tests.support.networks import network, one_emitter

# Flow does not depend on the head: what each outlet of Christiansen's lateral gives.
STEADY = 1e-6
# Re 1,300 at 20 degC in 13.6 mm: laminar.
TOTAL_LPH = 50.0


def lateral(count, length_m, bore_m, loss_k):
    """Equal outlets at equal distances, the first one distance from the inlet, on level ground."""
    pipes = [(i, i + 1, length_m, bore_m, loss_k) for i in range(count)]
    return network(
        [TOTAL_LPH / count] * count, [STEADY] * count, range(1, count + 1), [0.0] * (count + 1), pipes
    )


def factor(count, length_m, bore_m, loss_k):
    """Loss of the lateral over that of the same pipe carrying all the flow to its end."""
    several = solve(lateral(count, length_m, bore_m, loss_k), 5.0)
    one = network([TOTAL_LPH], [STEADY], [1], [0.0, 0.0],
                  [(0, 1, count * length_m, bore_m, count * loss_k)])  # fmt: skip
    whole = solve(one, 5.0)
    lost = several.node_head_m[0] - several.node_head_m[-1]
    return lost / (whole.node_head_m[0] - whole.node_head_m[1])


# Christiansen (1942), Univ. of California Bull. 670: F = 1/(m+1) + 1/(2N) + sqrt(m-1)/(6 N^2), as irrigation
# handbooks tabulate it (four digits) for N outlets; m = 1 is laminar friction, m = 2 a loss by fittings.
CHRISTIANSEN = {
    1: {5: 0.6000, 10: 0.5500, 25: 0.5200, 50: 0.5100, 100: 0.5050},
    2: {5: 0.4400, 10: 0.3850, 25: 0.3536, 50: 0.3434, 100: 0.3383},
}


@pytest.mark.parametrize("outlets", [5, 10, 25, 50, 100])
def test_a_laminar_lateral_loses_christiansens_share(outlets):
    found = factor(outlets, 0.3, 0.0136, 0.0)
    assert found == pytest.approx(CHRISTIANSEN[1][outlets], abs=5e-5)


@pytest.mark.parametrize("outlets", [5, 10, 25, 50, 100])
def test_a_lateral_of_fittings_loses_christiansens_share(outlets):
    found = factor(outlets, 1e-7, 0.0136, 100.0)
    assert found == pytest.approx(CHRISTIANSEN[2][outlets], abs=1e-4)


def test_a_turbulent_lateral_lies_between_the_shares_of_its_exponents():
    """Blasius's exponent is 1.75, rough turbulence's 2 (m = 1.75: F 0.4151 for 10 outlets, m = 2: 0.385).

    200 L/h an outlet in 13.6 mm: Re 52,000 at the inlet, above 4,000 to the last outlet.
    """
    pipes = [(i, i + 1, 0.3, 0.0136, 0.0) for i in range(10)]
    several = solve(network([200.0] * 10, [STEADY] * 10, range(1, 11), [0.0] * 11, pipes), 30.0)
    whole = solve(network([2000.0], [STEADY], [1], [0.0, 0.0], [(0, 1, 3.0, 0.0136, 0.0)]), 30.0)
    lost = several.node_head_m[0] - several.node_head_m[-1]
    assert 0.385 < lost / (whole.node_head_m[0] - whole.node_head_m[1]) < 0.4151


def test_a_hole_of_a_millimetre_and_a_half_gives_17_litres_an_hour_and_empties_by_torricellis_law():
    """Cd 0.61 (sharp-edged orifice, any hydraulics text), 1 m of head, g 9.80665: 17.186 L/h.

    A = 0.25 m2 from 1.0 to 0.25 m: t = 2 A (sqrt h0 - sqrt h1) / (Cd a sqrt(2 g)) = 14.5465 h.
    """
    k_lph = 0.61 * math.pi / 4.0 * 0.0015**2 * math.sqrt(2.0 * 9.80665) * 3.6e6
    net = one_emitter(k_lph, 0.5)
    assert solve(net, 1.0).total_lph == pytest.approx(17.186, rel=5e-5)
    down = Drawdown(zone_curve(net, 1.2), np.array([0.0, 1.2]), np.array([0.0, 300.0]))
    assert down.run_to_level(1.0, 0.25).run_s / 3600.0 == pytest.approx(14.5465, rel=1e-5)


def test_a_valve_loses_what_its_kv_says():
    """IEC 60534: Kv 4 passes 4 m3/h at 1 bar of water of 1000 kg/m3, so 1.26491 m3/h at 0.1 bar."""
    net = network([1264.91], [STEADY], [1], [0.0, 0.0], [(0, 1, 1e-7, 0.020, kv_to_k(4.0, 0.020))])
    flows = solve(net, 5.0)
    lost_bar = (flows.node_head_m[0] - flows.node_head_m[1]) * 1000.0 * 9.80665 / 1e5
    assert lost_bar == pytest.approx(0.1, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "mpas", "mm2s", "kgm3"),
    [(5, 1.51817, 1.51823, 999.966), (10, 1.30590, 1.30629, 999.701), (15, 1.13757, None, None),
     (20, 1.00160, 1.00340, 998.205), (25, 0.89002, None, None), (30, 0.79722, 0.80070, 995.651)],
)  # fmt: skip
def test_water_of_the_garden_is_that_of_iapws(celsius, mpas, mm2s, kgm3):
    """IAPWS-97 at 0.1 MPa (iapws 1.5.5); the short formula is stated as good to 0.1 %."""
    assert viscosity_pas(celsius) * 1e3 == pytest.approx(mpas, rel=1e-3)
    if mm2s is not None:
        assert kinematic_viscosity_m2s(celsius) * 1e6 == pytest.approx(mm2s, rel=1e-3)
        assert density_kgm3(celsius) == pytest.approx(kgm3, abs=0.01)


@pytest.mark.parametrize("celsius", [-0.1, 40.1])
def test_water_outside_the_formulas_range_is_refused(celsius):
    with pytest.raises(ValueError, match="0 to 40"):
        viscosity_pas(celsius)
