"""Values with their 95 % intervals, from errors roughly known beforehand and readings that tell more.

A fitter takes two to five readings, too few to tell their error. So the stated error counts as if it had been
found from ``STATED_FREEDOM`` readings before, and those at hand are added to it: the scale is the usual
conjugate one for a normal with unknown variance (scaled inverse chi-square), the interval Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass

# How many readings a stated error is worth (a choice of this project): sure to about a quarter.
STATED_FREEDOM = 8.0
# Two-sided 95 % points of Student's t for 1, 2, ... degrees of freedom (the printed tables of the handbooks).
_T95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
# 97.5 % point of the normal distribution.
NORMAL_95 = 1.95996


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, one standard error, and the 95 % interval."""

    value: float
    sd: float
    low: float
    high: float

    @classmethod
    def of(cls, value: float, sd: float, times: float = NORMAL_95) -> Measured:
        """The interval of ``times`` standard errors to both sides."""
        return cls(value, sd, value - times * sd, value + times * sd)


def t95(freedom: float) -> float:
    """Two-sided 95 % point of Student's t, within 0.002 of the exact one from 2 degrees of freedom on, and
    within 0.001 at whole ones. ValueError below one degree of freedom."""
    if not freedom >= 1.0:
        raise ValueError(f"Student's t needs one degree of freedom or more, not {freedom:g}")
    if freedom > len(_T95):
        # Abramowitz & Stegun 26.7.5, to the second order in 1/n.
        z = NORMAL_95
        return z + (z**3 + z) / (4.0 * freedom) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * freedom**2)
    whole = int(freedom)
    here = _T95[whole - 1]
    if whole == freedom:
        return here
    after = _T95[whole] if whole < len(_T95) else t95(float(whole + 1))
    # Nearly straight in 1/n.
    share = (1.0 / whole - 1.0 / freedom) / (1.0 / whole - 1.0 / (whole + 1))
    return here + share * (after - here)


def error_scale(square: float, free: float) -> tuple[float, float]:
    """By how much stated errors are to be widened (or narrowed), and the t by which to multiply.

    ``square``: sum of squares of the residuals over their stated errors; ``free``: readings left over.
    """
    freedom = STATED_FREEDOM + max(0.0, free)
    return ((STATED_FREEDOM + square) / freedom) ** 0.5, t95(freedom)
