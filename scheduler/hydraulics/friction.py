"""Head lost in round pipes: laminar, transitional and turbulent friction, and minor losses.

Laminar (Re <= 2000): Hagen-Poiseuille, f = 64/Re. Turbulent (Re >= 4000): Swamee & Jain (1976), J. Hydraul.
Div. ASCE 102(5). Between them the cubic of Dunlop (1991) that EPANET 2 uses (Rossman, EPANET 2.2 User
Manual, appendix D.1), so that the friction factor is continuous and the head loss rises with the flow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI, Constants

Array = NDArray[np.float64]

# Limits of the flow regimes: EPANET 2.2 User Manual, appendix D.1.
LAMINAR_RE_MAX = 2000.0
TURBULENT_RE_MIN = 4000.0
# Swamee-Jain: f = 0.25 / log10(e/(3.7 D) + 5.74 / Re^0.9)^2 = (-2/ln 10 * ln(...))^-2
_SJ_ROUGH = 3.7
_SJ_SMOOTH = 5.74
_SJ_POWER = 0.9
_TWO_OVER_LN10 = 2.0 / math.log(10.0)
# Dunlop's slope term at Re 4000: 2 * 0.9 * (2/ln 10) * 5.74 / 4000^0.9 (EPANET 2.3 source).
_DUNLOP_SLOPE = 2.0 * _SJ_POWER * _TWO_OVER_LN10 * _SJ_SMOOTH / TURBULENT_RE_MIN**_SJ_POWER


def dunlop_cubic(relative_roughness: Array) -> tuple[Array, Array, Array, Array]:
    """Coefficients X1..X4 of f = X1 + r (X2 + r (X3 + r X4)), r = Re/2000, for e/D of each pipe."""
    y2 = relative_roughness / _SJ_ROUGH + _SJ_SMOOTH / TURBULENT_RE_MIN**_SJ_POWER
    y3 = -_TWO_OVER_LN10 * np.log(y2)
    fa = y3**-2.0
    fb = fa * (2.0 - _DUNLOP_SLOPE / (y2 * y3))
    return (
        7.0 * fa - fb,
        0.128 - 17.0 * fa + 2.5 * fb,
        -0.128 + 13.0 * fa - 2.0 * fb,
        0.032 - 3.0 * fa + 0.5 * fb,
    )


def _turbulent(reynolds: Array, relative_roughness: Array) -> tuple[Array, Array]:
    """Swamee-Jain f and Re df/dRe."""
    # A power by way of exp and log: six times quicker than NumPy's own, and equal to the last digits.
    smooth = _SJ_SMOOTH * np.exp(-_SJ_POWER * np.log(reynolds))
    y1 = relative_roughness / _SJ_ROUGH + smooth
    y3 = -_TWO_OVER_LN10 * np.log(y1)
    factor = 1.0 / (y3 * y3)
    return factor, -2.0 * _SJ_POWER * _TWO_OVER_LN10 * smooth * factor / (y1 * y3)


def _above_laminar(reynolds: Array, relative_roughness: Array, cubic: Array) -> tuple[Array, Array]:
    """Friction factor and Re df/dRe for Re > 2000; ``cubic`` is (4, n)."""
    factor = np.empty_like(reynolds)
    slope = np.empty_like(reynolds)
    full = reynolds >= TURBULENT_RE_MIN
    if full.any():
        factor[full], slope[full] = _turbulent(reynolds[full], relative_roughness[full])
    part = ~full
    if part.any():
        r = reynolds[part] / LAMINAR_RE_MAX
        x1, x2, x3, x4 = cubic[:, part]
        factor[part] = x1 + r * (x2 + r * (x3 + r * x4))
        slope[part] = r * (x2 + r * (2.0 * x3 + r * 3.0 * x4))
    return factor, slope


def friction_factor(reynolds: Array | float, relative_roughness: Array | float) -> Array:
    """Darcy friction factor (-) at Reynolds number > 0 and relative roughness e/D; arrays broadcast."""
    re, rough = np.broadcast_arrays(
        np.asarray(reynolds, dtype=np.float64), np.asarray(relative_roughness, dtype=np.float64)
    )
    with np.errstate(divide="ignore"):
        out = np.asarray(64.0 / re)
    high = re > LAMINAR_RE_MAX
    if high.any():
        rough_high = rough[high]
        out[high] = _above_laminar(re[high], rough_high, np.array(dunlop_cubic(rough_high)))[0]
    return out


@dataclass(frozen=True, slots=True)
class PipeLaw:
    """Head loss of many pipes, as the numbers that do not change with the flow; each array is (pipes,)."""

    laminar_sm2: Array  # m of head per m3/s while laminar
    turbulent: Array  # m of head per (m3/s)^2 and unit of f
    minor: Array  # m of head per (m3/s)^2
    reynolds_per_m3s: Array
    relative_roughness: Array
    cubic: Array  # (4, pipes)
    laminar_max_m3s: Array  # |Q| at Re 2000
    fittings: NDArray[np.intp]  # pipes with a minor loss: few

    @classmethod
    def of(
        cls,
        length_m: Array,
        bore_m: Array,
        roughness_m: Array,
        loss_k: Array,
        viscosity_m2s: float,
        constants: Constants = SI,
    ) -> PipeLaw:
        """The law of pipes of given length, bore, roughness (m) and minor loss coefficient."""
        g = constants.gravity_ms2
        area = math.pi * bore_m**2 / 4.0
        per_m3s = 4.0 / (math.pi * bore_m * viscosity_m2s)
        relative = roughness_m / bore_m
        return cls(
            laminar_sm2=128.0 * viscosity_m2s * length_m / (math.pi * g * bore_m**4),
            turbulent=length_m / (2.0 * g * bore_m * area**2),
            minor=constants.minor_loss_s2m * loss_k / bore_m**4,
            reynolds_per_m3s=per_m3s,
            relative_roughness=relative,
            cubic=np.array(dunlop_cubic(relative)),
            laminar_max_m3s=LAMINAR_RE_MAX / per_m3s,
            fittings=np.nonzero(loss_k > 0.0)[0],
        )

    def loss(self, flow_m3s: Array, length_share: Array | None = None) -> tuple[Array, Array]:
        """Head loss (m, signed like the flow) and its slope (m per m3/s) for flows of shape (..., pipes).

        ``length_share`` (same shape) scales each pipe's length, for pipes that are only partly filled.
        """
        size = np.abs(flow_m3s)
        loss = self.laminar_sm2 * flow_m3s
        slope = np.empty_like(flow_m3s)
        slope[...] = self.laminar_sm2
        high = size > self.laminar_max_m3s
        # Most pipes of a garden stay laminar at every level: the others are picked out before the search.
        columns = np.nonzero(high.reshape(-1, high.shape[-1]).any(axis=0))[0]
        if len(columns):
            where = high[..., columns]
            pipe = columns[np.nonzero(where)[-1]]
            signed = flow_m3s[..., columns][where]
            q = np.abs(signed)
            f, re_slope = _above_laminar(
                q * self.reynolds_per_m3s[pipe], self.relative_roughness[pipe], self.cubic[:, pipe]
            )
            rq = self.turbulent[pipe] * q
            part_loss, part_slope = loss[..., columns], slope[..., columns]
            part_loss[where] = f * rq * signed
            part_slope[where] = rq * (2.0 * f + re_slope)
            loss[..., columns], slope[..., columns] = part_loss, part_slope
        if length_share is not None:
            loss *= length_share
            slope *= length_share
        if len(self.fittings):
            mq = self.minor[self.fittings] * size[..., self.fittings]
            loss[..., self.fittings] += mq * flow_m3s[..., self.fittings]
            slope[..., self.fittings] += 2.0 * mq
        return loss, slope
