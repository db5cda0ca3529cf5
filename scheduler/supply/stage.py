"""Level <-> litres of linked barrels.

A level is the height of the water surface above the outlet; linked barrels at rest share it. Water under
the outlet cannot be drawn and is not in the table. The lowest overflow of the barrels is the brim: above
it every further litre runs away there. Where litres were poured in and the level read, that table holds in
place of the barrels' drawn measures (``poured`` fits it).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.site.model import Tank
from scheduler.supply.barrel import LITRES_PER_M3, barrel_litres, lowest_depth_m
from scheduler.supply.link import link_offset_m

# Rows of the table between two barrel edges; the interpolation error is measured in the tests.
ROWS_PER_BAND = 320
# Levels closer than this are one: a thousandth of a millimetre.
_SAME_LEVEL_M = 1e-6
# A brim is not known more closely than this.
_SAME_BRIM_M = 1e-3

__all__ = ["StageStorage", "link_offset_m", "read_off", "stage_storage"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StageStorage:
    """The stage-storage table of a tank: levels in m above the outlet, from 0 to the brim, and litres there.

    Levels rise strictly; so do litres, except below the lowest base, where an outlet under all barrels leaves
    the table at 0.
    """

    levels_m: Array
    volumes_l: Array
    brim_level_m: float
    litres_below_outlet: float

    def volume_l(self, level_m: float) -> float:
        """Litres above the outlet at a level: 0 at or under it, full at the brim and above. nan stays nan."""
        return read_off(level_m, self._levels, self._volumes)

    def level_m(self, volume_l: float) -> float:
        """The level at which that many litres stand above the outlet, 0 to the brim; 0 for none."""
        if volume_l <= 0.0:
            return 0.0
        return read_off(volume_l, *self._filled)

    def area_m2(self, level_m: float) -> float:
        """Water surface at a level, of all barrels; the nearest end of the table outside it."""
        levels, volumes = self._levels, self._volumes
        i = min(max(bisect_right(levels, level_m) - 1, 0), len(levels) - 2)
        return (volumes[i + 1] - volumes[i]) / LITRES_PER_M3 / (levels[i + 1] - levels[i])

    @property
    def full_l(self) -> float:
        """Litres above the outlet at the brim."""
        return float(self.volumes_l[-1])

    @cached_property
    def _levels(self) -> list[float]:
        return [float(x) for x in self.levels_m]

    @cached_property
    def _volumes(self) -> list[float]:
        return [float(x) for x in self.volumes_l]

    @cached_property
    def _filled(self) -> tuple[list[float], list[float]]:
        """Litres and levels from the last row without water on: with an outlet under every base, levels above
        0 may still hold none."""
        first = int(np.flatnonzero(self.volumes_l <= 0.0)[-1])
        return self._volumes[first:], self._levels[first:]


def read_off(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """``y`` at one ``x`` of a table with rising ``xs``: to the bit what ``numpy.interp`` gives, which takes
    several times as long for one number. Beyond an end the end's value; nan stays nan."""
    if x != x:
        return x
    i = bisect_right(xs, x) - 1
    if i < 0:
        return ys[0]
    if i >= len(xs) - 1:
        return ys[-1]
    if xs[i] == x:
        return ys[i]
    return (ys[i + 1] - ys[i]) / (xs[i + 1] - xs[i]) * (x - xs[i]) + ys[i]


def stage_storage(tank: Tank) -> StageStorage:
    """The table of a tank, measured or from its shapes.

    Raises ValueError when the outlet stands at or above the lowest overflow, or a measured table does not
    rise to the brim.
    """
    if not tank.barrels:
        raise ValueError("a tank without barrels holds nothing")
    brim_height = min(b.base_height_m + b.height_m for b in tank.barrels)
    brim_level = brim_height - tank.outlet_height_m
    if brim_level <= 0.0:
        raise ValueError(
            f"the outlet at {tank.outlet_height_m:g} m stands no lower than "
            f"the lowest overflow at {brim_height:g} m"
        )
    below = _litres_at(tank, tank.outlet_height_m)
    if tank.measured:
        return _measured(tank, brim_level, below)
    levels = _levels(tank, brim_level)
    volumes = np.array([_litres_at(tank, tank.outlet_height_m + level) - below for level in levels])
    # Rounding may turn two rows over a dry gap by a millionth of a litre; water never falls with the level.
    return StageStorage(levels, np.maximum.accumulate(volumes), brim_level, below)


def _measured(tank: Tank, brim_level_m: float, below_l: float) -> StageStorage:
    levels, volumes = (np.array(column, dtype=np.float64) for column in zip(*tank.measured, strict=True))
    rises = bool(np.all(np.diff(levels) > 0.0) and np.all(np.diff(volumes) >= 0.0))
    if len(levels) < 2 or not rises or levels[0] != 0.0 or volumes[0] != 0.0:
        raise ValueError("a measured table starts with 0 L at the outlet and rises, level and litres")
    if abs(float(levels[-1]) - brim_level_m) > _SAME_BRIM_M:
        raise ValueError(
            f"the measured table ends at {levels[-1]:g} m and the brim stands at {brim_level_m:g} m: "
            "it was measured before the barrels were changed"
        )
    levels[-1] = brim_level_m
    return StageStorage(levels, volumes, brim_level_m, below_l)


def _levels(tank: Tank, brim_level_m: float) -> Array:
    """Levels from outlet to brim, with a row exactly at each barrel's base, at both sides of one that is not
    level, and at each row of a maker's table, so that the kinks are kept."""
    edges = sorted({0.0, brim_level_m, *_within(_bases(tank), brim_level_m)})
    # Rows lie closer at both ends of a band, where a lying drum's surface changes fastest.
    shares = (1.0 - np.cos(np.linspace(0.0, np.pi, ROWS_PER_BAND, endpoint=False))) / 2.0
    bands = [low + (high - low) * shares for low, high in pairwise(edges)]
    kinks = np.array(_within(_table_rows(tank), brim_level_m))
    levels = np.unique(np.concatenate([*bands, kinks]))
    # Two rows a rounding error apart would make a surface out of rounding errors.
    apart = np.concatenate(([True], np.diff(levels) > _SAME_LEVEL_M)) & (
        levels < brim_level_m - _SAME_LEVEL_M
    )
    return np.append(levels[apart], brim_level_m)


def _within(levels: Iterable[float], brim_level_m: float) -> list[float]:
    return [level for level in levels if _SAME_LEVEL_M < level < brim_level_m - _SAME_LEVEL_M]


def _bases(tank: Tank) -> Iterator[float]:
    for barrel in tank.barrels:
        for side in {lowest_depth_m(barrel), -lowest_depth_m(barrel)}:
            yield barrel.base_height_m + side - tank.outlet_height_m


def _table_rows(tank: Tank) -> Iterator[float]:
    for barrel in tank.barrels:
        for depth, _ in barrel.table:
            yield barrel.base_height_m + depth - tank.outlet_height_m


def _litres_at(tank: Tank, height_m: float) -> float:
    return sum(barrel_litres(b, height_m - b.base_height_m) for b in tank.barrels)
