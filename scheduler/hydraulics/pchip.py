"""Monotone piecewise cubic interpolation of many columns at once.

Fritsch & Butland (1984), SIAM J. Sci. Stat. Comput. 5(2), with the weights for uneven steps of Fritsch &
Carlson's PCHIP library: no overshoot, so a rising table stays rising.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def pchip_slopes(x: Array, y: Array) -> Array:
    """Slopes (n, columns) at rising knots ``x`` (n >= 2) of values ``y`` (n, columns)."""
    step = np.diff(x)[:, None]
    secant = np.diff(y, axis=0) / step
    if len(x) == 2:
        return np.repeat(secant, 2, axis=0)
    slope = np.empty_like(y)
    left, right = secant[:-1], secant[1:]
    w_left, w_right = step[:-1] + 2.0 * step[1:], 2.0 * step[:-1] + step[1:]
    same = left * right > 0.0
    # A secant next to nothing overflows to infinity, and its harmonic mean is then rightly zero.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        mean = (w_left + w_right) / (w_left / right + w_right / left)
    slope[1:-1] = np.where(same, mean, 0.0)
    slope[0] = _end_slope(step[0], step[1], secant[0], secant[1])
    slope[-1] = _end_slope(step[-1], step[-2], secant[-1], secant[-2])
    return slope


def _end_slope(h0: Array, h1: Array, d0: Array, d1: Array) -> Array:
    """Three-point slope at an end, held to the sign of the first secant and to three times it."""
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    slope = np.where(slope * d0 <= 0.0, 0.0, slope)
    steep = (d0 * d1 <= 0.0) & (np.abs(slope) > 3.0 * np.abs(d0))
    return np.asarray(np.where(steep, 3.0 * d0, slope))


class Pchip:
    """The interpolant through knots ``x`` (n,) and values ``y`` (n, columns), held constant outside."""

    __slots__ = ("_a", "_b", "_places", "_slope", "_x", "_y")

    def __init__(self, x: Array, y: Array) -> None:
        step = np.diff(x)[:, None]
        self._x, self._y = x, y
        self._places: list[float] = x.tolist()  # in which one place is found quicker than in an array
        self._slope = pchip_slopes(x, y)
        secant = np.diff(y, axis=0) / step
        self._a = (self._slope[:-1] + self._slope[1:] - 2.0 * secant) / step**2
        self._b = (3.0 * secant - 2.0 * self._slope[:-1] - self._slope[1:]) / step

    def at(self, x: float) -> Array:
        """Values (columns,) at one place."""
        places = self._places
        i = min(max(bisect_left(places, x) - 1, 0), len(places) - 2)
        d = min(max(x, places[0]), places[-1]) - places[i]
        return np.asarray(self._y[i] + d * (self._slope[i] + d * (self._b[i] + d * self._a[i])))

    def at_all(self, x: Array) -> Array:
        """Values (m, columns) at places (m,)."""
        i = np.clip(np.searchsorted(self._x, x) - 1, 0, len(self._x) - 2)
        d = (np.clip(x, self._x[0], self._x[-1]) - self._x[i])[:, None]
        return np.asarray(self._y[i] + d * (self._slope[i] + d * (self._b[i] + d * self._a[i])))
