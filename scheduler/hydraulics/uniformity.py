"""How evenly water is given: the usual measures of a set of emitter flows or volumes.

Authors, years and the numbers of ASABE standards are named from memory; the formulas are the common ones.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def low_quarter_mean(values: ArrayLike) -> float:
    """Mean of the lowest quarter of the values; the value at the edge counts with its fraction."""
    v = np.sort(_values(values))
    quarter = len(v) / 4.0
    whole = int(quarter)
    total = float(v[:whole].sum())
    if whole < len(v):
        total += (quarter - whole) * float(v[whole])
    return total / quarter


def du_low_quarter(values: ArrayLike) -> float:
    """Distribution uniformity of the low quarter, 0 to 1: its mean over the mean of all (Merriam &
    Keller 1978).

    ValueError without values, for negative ones, or when all are zero.
    """
    return low_quarter_mean(values) / _mean(values)


def emission_uniformity(values: ArrayLike, *, variation: float = 0.0, per_plant: int = 1) -> float:
    """Design emission uniformity, 0 to 1 (Keller & Karmeli 1974; ASABE EP405):
    ``(1 - 1.27 Cv / sqrt(n)) * q_min / q_mean``; field EU is ``du_low_quarter`` of measured flows.

    ``variation`` is the manufacturer's coefficient of variation, ``per_plant`` the emitters at each plant.
    """
    v = _values(values)
    made = 1.0 - 1.27 * variation / math.sqrt(per_plant)
    return max(made, 0.0) * float(v.min()) / _mean(v)


def statistical_uniformity(values: ArrayLike) -> float:
    """1 - coefficient of variation (sample standard deviation), as ASABE EP458 has it; at most 1,
    may be < 0."""
    v = _values(values)
    if len(v) < 2:
        raise ValueError("a spread needs two values or more")
    return 1.0 - float(v.std(ddof=1)) / _mean(v)


def christiansen_uniformity(values: ArrayLike) -> float:
    """Christiansen's coefficient (1942): 1 - mean absolute deviation over the mean; may be < 0."""
    v = _values(values)
    mean = _mean(v)
    return 1.0 - float(np.abs(v - mean).mean()) / mean


def _values(values: ArrayLike) -> Array:
    v = np.asarray(values, dtype=np.float64)
    if v.size == 0 or not np.isfinite(v).all() or (v < 0).any():
        raise ValueError("uniformity needs one or more finite values that are not negative")
    return v.reshape(-1)


def _mean(values: ArrayLike) -> float:
    mean = float(_values(values).mean())
    if mean == 0.0:
        raise ValueError("uniformity of nothing: every value is zero")
    return mean
