"""A stage-storage fitted to litres that were poured in (or drawn off) and levels that were read.

The drawn barrels give the shape; what is fitted is a factor on their water surface that may change slowly
with the level. Where nothing was poured the factor stays what the tape measure said, and its error stays
wide. Generalised least squares with a Gaussian prior (Rodgers, Inverse Methods for Atmospheric Sounding,
Eq 2.27 and 2.28), so the error of every litre comes with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.site.model import Tank
from scheduler.supply.barrel import LITRES_PER_M3
from scheduler.supply.stage import StageStorage

Array = NDArray[np.float64]

# How far a surface measured by tape may be off: 5 % of a diameter is 10 % of its surface (a choice of this
# project).
SURFACE_SD_SHARE = 0.10
# Half of that is one error of all levels, half changes over this share of the height.
CHANGE_SHARE = 0.3
# Levels at which the factor may bend, outlet and brim included.
FACTOR_KNOTS = 9
# Less of the drawn surface than this is never fitted: water never falls as litres come in.
FACTOR_MIN = 0.05
# Nobody reads a can more closely (L): keeps a level that holds no surface from counting as exact.
_CAN_SD_L = 0.05
# Rows are left out where the straight line between the others is as good as this (L).
_ROW_ERROR_L = 0.02
# A reading further from the fit than so many of its standard errors is doubtful.
DOUBTFUL_SD = 3.0


@dataclass(frozen=True, slots=True)
class Pour:
    """``added_l`` since the reading before (negative: drawn off; of the first one it does not count), and the
    level above the outlet read once the barrels had come to rest."""

    added_l: float
    level_m: float


@dataclass(frozen=True, slots=True, eq=False)
class PouredFit:
    """Levels (m above the outlet, 0 to the brim), litres above the outlet there, and their standard error.

    ``residuals_l``: of each reading, what was poured less what the fit says. ``misfit``: mean square of the
    readings against their stated errors, about 1 when these are right; above 1 the errors of the fit were
    widened by its root (Birge ratio). None with too few readings to tell.
    ``doubtful``: numbers (from 0) of readings that do not fit the others. Between ``lowest_m`` and
    ``highest_m`` water was poured.
    """

    levels_m: Array
    volumes_l: Array
    sd_l: Array
    residuals_l: tuple[float, ...]
    misfit: float | None
    doubtful: tuple[int, ...]
    lowest_m: float
    highest_m: float

    def volume_l(self, level_m: float) -> float:
        """Litres above the outlet at a level."""
        return float(np.interp(level_m, self.levels_m, self.volumes_l))

    def volume_sd_l(self, level_m: float) -> float:
        """One standard error of that volume."""
        return float(np.interp(level_m, self.levels_m, self.sd_l))

    def on(self, tank: Tank) -> Tank:
        """The tank with these litres in place of those of its drawn shapes."""
        rows = zip(self.levels_m.tolist(), self.volumes_l.tolist(), strict=True)
        return replace(tank, measured=tuple(rows))


def fit_poured(
    drawn: StageStorage,
    pours: Sequence[Pour],
    *,
    level_sd_m: float = 0.005,
    pour_sd_share: float = 0.01,
    can_sd_share: float = 0.01,
    surface_sd_share: float = SURFACE_SD_SHARE,
) -> PouredFit:
    """Fit a tank's litres to two or more readings in the order in which they were taken.

    ``level_sd_m``: of each level; ``pour_sd_share``: of each pour on its own; ``can_sd_share``: that the can
    itself is always too large or too small. ValueError in one sentence for readings that cannot be.
    """
    _check(drawn, pours, level_sd_m)
    basis = _Basis.of(drawn)
    levels = np.array([p.level_m for p in pours])
    added = np.array([0.0, *(p.added_l for p in pours[1:])])
    error = _reading_cov(drawn, levels, added, level_sd_m, pour_sd_share, can_sd_share)
    # The litres there before the first reading are unknown too: a column of ones, with next to no prior.
    design = np.column_stack([basis.at(levels), -np.ones(len(levels))])
    start_l = drawn.volume_l(float(levels[0]))
    prior_cov = np.zeros((FACTOR_KNOTS + 1, FACTOR_KNOTS + 1))
    prior_cov[:-1, :-1] = _factor_cov(surface_sd_share)
    prior_cov[-1, -1] = (10.0 * max(drawn.full_l, 1.0)) ** 2
    prior = np.append(np.ones(FACTOR_KNOTS), start_l)
    poured = np.cumsum(added)
    found, cov = _posterior(design, poured, error, prior, prior_cov)
    residuals = poured - design @ found
    misfit, doubtful = _judge(residuals, error, design, prior_cov)
    if misfit is not None and misfit > 1.0:
        cov = cov * misfit
    rows = basis.at(drawn.levels_m)
    volumes = rows @ found[:-1]
    sd = np.sqrt(np.maximum(0.0, np.einsum("ij,jk,ik->i", rows, cov[:-1, :-1], rows)))
    kept = _rows_kept(drawn.levels_m, volumes)
    return PouredFit(
        levels_m=drawn.levels_m[kept],
        volumes_l=volumes[kept],
        sd_l=sd[kept],
        residuals_l=tuple(float(r) for r in residuals),
        misfit=misfit,
        doubtful=doubtful,
        lowest_m=float(levels.min()),
        highest_m=float(levels.max()),
    )


def _check(drawn: StageStorage, pours: Sequence[Pour], level_sd_m: float) -> None:
    if len(pours) < 2:
        raise ValueError("pour at least once between two levels read: one reading tells no litres")
    for number, pour in enumerate(pours, 1):
        if not (np.isfinite(pour.level_m) and np.isfinite(pour.added_l)):
            raise ValueError(f"reading {number} has no number for its level or its litres")
        if pour.level_m < 0.0:
            raise ValueError(f"reading {number} is below the outlet: fill up to the outlet first")
        if pour.level_m > drawn.brim_level_m + 3.0 * level_sd_m:
            raise ValueError(
                f"reading {number} of {pour.level_m:g} m is above the brim at {drawn.brim_level_m:.3g} m"
            )
    for number, (before, pour) in enumerate(pairwise(pours), 2):
        rise = pour.level_m - before.level_m
        if rise * np.sign(pour.added_l) < -5.0 * level_sd_m:
            raise ValueError(
                f"reading {number}: the level went from {before.level_m:g} m to {pour.level_m:g} m "
                f"with {pour.added_l:g} L {'poured in' if pour.added_l > 0 else 'drawn off'}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class _Basis:
    """Litres up to each level for a factor of 1 at one knot and 0 at its neighbours: (rows, knots)."""

    levels_m: Array
    sums_l: Array

    @classmethod
    def of(cls, drawn: StageStorage) -> _Basis:
        knots = np.linspace(0.0, drawn.brim_level_m, FACTOR_KNOTS)
        middles = 0.5 * (drawn.levels_m[1:] + drawn.levels_m[:-1])
        hats = np.array([np.interp(middles, knots, unit) for unit in np.eye(FACTOR_KNOTS)]).T
        steps = hats * np.diff(drawn.volumes_l)[:, None]
        return cls(drawn.levels_m, np.vstack([np.zeros(FACTOR_KNOTS), np.cumsum(steps, axis=0)]))

    def at(self, levels_m: Array) -> Array:
        return np.array([np.interp(levels_m, self.levels_m, column) for column in self.sums_l.T]).T


def _factor_cov(sd_share: float) -> Array:
    at = np.linspace(0.0, 1.0, FACTOR_KNOTS)
    apart = np.abs(at[:, None] - at[None, :])
    return np.asarray(sd_share**2 * (0.5 + 0.5 * np.exp(-apart / CHANGE_SHARE)))


def _reading_cov(
    drawn: StageStorage, levels: Array, added: Array, level_sd: float, pour_sd: float, can_sd: float
) -> Array:
    """Errors of the litres poured up to each reading, with that of its level turned into litres."""
    surface = np.array([drawn.area_m2(float(level)) for level in levels])
    own = np.diag((LITRES_PER_M3 * surface * level_sd) ** 2 + _CAN_SD_L**2)
    upto = np.cumsum((pour_sd * added) ** 2)
    walk = np.minimum(upto[:, None], upto[None, :])
    total = np.cumsum(added)
    return np.asarray(own + walk + can_sd**2 * np.outer(total, total))


def _posterior(
    design: Array, seen: Array, error: Array, prior: Array, prior_cov: Array
) -> tuple[Array, Array]:
    """Mean and covariance; factors that would fall under the floor are held there, one after the other."""
    held: list[int] = []
    seen_cov = design @ prior_cov @ design.T + error
    cov = prior_cov - np.linalg.solve(seen_cov, design @ prior_cov).T @ design @ prior_cov
    found = prior
    for _ in range(FACTOR_KNOTS + 1):
        free_prior, free_cov = _hold(prior, prior_cov, held)
        gain = np.linalg.solve(design @ free_cov @ design.T + error, design @ free_cov).T
        found = free_prior + gain @ (seen - design @ free_prior)
        low = [i for i in range(FACTOR_KNOTS) if found[i] < FACTOR_MIN - 1e-9]
        if not low:
            break
        held += low
    return found, cov


def _hold(prior: Array, cov: Array, held: Sequence[int]) -> tuple[Array, Array]:
    """The prior once some factors are known to be at the floor."""
    if not held:
        return prior, cov
    k = list(held)
    gain = np.linalg.solve(cov[np.ix_(k, k)], cov[k, :]).T
    return prior + gain @ (FACTOR_MIN - prior[k]), cov - gain @ cov[k, :]


def _judge(
    residuals: Array, error: Array, design: Array, prior_cov: Array
) -> tuple[float | None, tuple[int, ...]]:
    """Mean square misfit for each reading that is free to miss, and the readings that do not fit.

    With G = X P0 X' + C the residual r = C G^-1 (y - X m0) has the covariance C G^-1 C.
    """
    total = design @ prior_cov @ design.T + error
    spread = error @ np.linalg.solve(total, error)
    # How many readings the fit leaves free: trace of C G^-1 (Rodgers, 2.4.1).
    freedom = float(np.trace(np.linalg.solve(total, error)))
    if freedom < 0.5:
        return None, ()
    square = float(residuals @ np.linalg.solve(error, residuals))
    sd = np.sqrt(np.maximum(np.diag(spread), 1e-12))
    far = np.abs(residuals) / sd
    return square / freedom, tuple(int(i) for i in np.flatnonzero(far > DOUBTFUL_SD))


def _rows_kept(levels: Array, volumes: Array) -> list[int]:
    """Rows between which straight lines stay within ``_ROW_ERROR_L``."""
    kept, start = [0], 0
    for end in range(2, len(levels)):
        inner = slice(start + 1, end)
        line = np.interp(levels[inner], [levels[start], levels[end]], [volumes[start], volumes[end]])
        if np.abs(line - volumes[inner]).max() > _ROW_ERROR_L:
            start = end - 1
            kept.append(start)
    return [*kept, len(levels) - 1]
