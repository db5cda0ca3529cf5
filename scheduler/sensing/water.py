"""The tank's water as the sensing needs it: surface, fall by a draw, time to come to rest."""

from __future__ import annotations

import math

from scheduler.site.kept import kept
from scheduler.site.model import Site, Tank
from scheduler.supply.stage import StageStorage, stage_storage

# Shortest wait before the sensor's barrel stands for all: travel of the valve and ripple.
SETTLE_MIN_S = 120.0
# The slowest laminar mode of linked barrels is down to a millimetre after about this many time constants
# (hydraulic experiment on five linked barrels, 13 to 25 mm bore).
SETTLE_TIME_CONSTANTS = 9.0
# Kinematic viscosity of water at 10 degC, m2/s (IAPWS-97), and standard gravity, m/s2.
NU_10C_M2S = 1.3063e-6
GRAVITY_MS2 = 9.80665


@kept
def _stage(tank: Tank) -> tuple[StageStorage, float]:
    """The tank's table, and the surface in its middle, m2."""
    stage = stage_storage(tank)
    return stage, stage.area_m2(stage.brim_level_m / 2.0)


@kept
def settle_s(tank: Tank) -> float:
    """Seconds after the valve moved until the sensor's barrel stands level with the others.

    tau = A r / (2 (1 - cos(pi/N))), r = 128 nu L / (pi g D^4): slowest laminar mode of N equal barrels
    in a row.
    """
    if tank.link is None or len(tank.barrels) < 2:
        return SETTLE_MIN_S
    count = len(tank.barrels)
    stage, _ = _stage(tank)
    area_m2 = max(0.01, stage.area_m2(stage.brim_level_m / 2.0)) / count
    resistance = 128.0 * NU_10C_M2S * tank.link.length_m / (math.pi * GRAVITY_MS2 * tank.link.bore_m**4)
    tau_s = area_m2 * resistance / (2.0 * (1.0 - math.cos(math.pi / count)))
    return max(SETTLE_MIN_S, SETTLE_TIME_CONSTANTS * tau_s)


def surface_m2(site: Site, level_m: float) -> float:
    """Water surface of all barrels at a level, m2; never nothing.

    Right at floor and brim a lying drum's surface vanishes; a tenth of the middle's is small enough.
    """
    stage, middle_m2 = _stage(site.tank)
    return max(stage.area_m2(min(max(level_m, 0.0), stage.brim_level_m)), 0.1 * middle_m2)


def drawn_down_m(lph: float, seconds: float, area_m2: float) -> float:
    """How far a flow lowers the level in that time, m."""
    return lph * max(0.0, seconds) / 3.6e6 / area_m2
