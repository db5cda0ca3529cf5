"""How far the outlet barrel stands below the mean while water is drawn through the barrels' joints.

Quasi-steady: with N barrels in a row, each giving an equal part by its surface, the joint behind the i-th
barrel from the outlet carries what the barrels beyond it give. Holds once the gap has built up, which with
wide joints takes a minute or two.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import log, log10, pi

from scheduler.site.model import Barrel, BarrelLink, Tank
from scheduler.supply.barrel import surface_m2

# Standard gravity, m/s2 (ISO 80000-3).
GRAVITY = 9.80665
# Kinematic viscosity of water at 10 degC, m2/s (IAPWS-97).
VISCOSITY = 1.30629e-6
# Wall of a smooth plastic joint, m (common value for drawn tubing).
ROUGHNESS_M = 1.5e-6
# Flow is laminar below, turbulent above (EPANET 2.2 manual, 12.1).
REYNOLDS_LAMINAR, REYNOLDS_TURBULENT = 2000.0, 4000.0
LPH_PER_M3S = 3.6e6


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy's f: 64/Re laminar, Swamee and Jain (1976) turbulent, Dunlop's cubic (1991) in between.

    All three as the EPANET 2.2 manual prints them in 12.1.
    """
    if reynolds <= REYNOLDS_LAMINAR:
        return 64.0 / reynolds
    if reynolds >= REYNOLDS_TURBULENT:
        return 0.25 / log10(relative_roughness / 3.7 + 5.74 / reynolds**0.9) ** 2
    return _transition(reynolds / REYNOLDS_LAMINAR, relative_roughness)


def _transition(r: float, relative_roughness: float) -> float:
    """Dunlop's cubic in r = Re/2000, smooth at both ends; symbols and numbers are the manual's."""
    y2 = relative_roughness / 3.7 + 5.74 / REYNOLDS_TURBULENT**0.9
    y3 = -0.86859 * log(y2)
    fa = y3**-2
    fb = fa * (2.0 - 0.00514215 / (y2 * y3))
    x1 = 7.0 * fa - fb
    x2 = 0.128 - 17.0 * fa + 2.5 * fb
    x3 = -0.128 + 13.0 * fa - 2.0 * fb
    x4 = 0.032 - 3.0 * fa + 0.5 * fb
    return float(x1 + r * (x2 + r * (x3 + r * x4)))


def joint_loss_m(link: BarrelLink, flow_lph: float) -> float:
    """Head lost in one joint at a flow (Darcy-Weisbach and its fittings' K)."""
    if flow_lph <= 0.0:
        return 0.0
    speed = flow_lph / LPH_PER_M3S / (pi * link.bore_m**2 / 4.0)
    factor = friction_factor(speed * link.bore_m / VISCOSITY, ROUGHNESS_M / link.bore_m)
    return (factor * link.length_m / link.bore_m + link.loss_k) * speed**2 / (2.0 * GRAVITY)


def joint_losses_m(areas_m2: Sequence[float], link: BarrelLink, flow_lph: float) -> tuple[float, ...]:
    """The step at each joint, from the outlet outwards, for barrels of those water surfaces."""
    total = sum(areas_m2)
    if total <= 0.0:
        return (0.0,) * (len(areas_m2) - 1)
    return tuple(joint_loss_m(link, flow_lph * sum(areas_m2[i:]) / total) for i in range(1, len(areas_m2)))


def link_offset_m(tank: Tank, flow_lph: float, level_m: float | None = None) -> float:
    """How far the outlet barrel stands below the mean level by volume, at a steady flow out of it.

    ``level_m`` is the mean level; None takes every barrel as half full. 0 for one barrel, for joints too
    wide to matter, or without flow.
    """
    if tank.link is None or len(tank.barrels) < 2 or flow_lph <= 0.0:
        return 0.0
    areas = _half_full_m2(tank) if level_m is None else _surfaces_m2(tank, level_m)
    total = sum(areas)
    if total <= 0.0:
        return 0.0
    rise, mean = 0.0, 0.0
    for area, step in zip(areas[1:], joint_losses_m(areas, tank.link, flow_lph), strict=True):
        rise += step
        mean += area / total * rise
    return mean


def _surfaces_m2(tank: Tank, level_m: float | None) -> tuple[float, ...]:
    return tuple(_surface_m2(barrel, tank, level_m) for barrel in tank.barrels)


@lru_cache(maxsize=16)
def _half_full_m2(tank: Tank) -> tuple[float, ...]:
    """Asked for at every flow of a zone's table, and the same at all of them."""
    return _surfaces_m2(tank, None)


def _surface_m2(barrel: Barrel, tank: Tank, level_m: float | None) -> float:
    """Water surface of one barrel; 0 where the water stands under its base."""
    depth = barrel.height_m / 2.0
    if level_m is not None:
        depth = tank.outlet_height_m + level_m - barrel.base_height_m
    return surface_m2(barrel, depth)
