"""The constants that two hydraulic programs may differ in, as one value."""

from __future__ import annotations

import math
from dataclasses import dataclass

# Standard gravity, 3rd CGPM (1901).
STANDARD_GRAVITY_MS2 = 9.80665


@dataclass(frozen=True, slots=True)
class Constants:
    """Gravity (m/s2), the factor of the minor loss ``factor * K * Q^2 / D^4`` (s2/m; None: 8/(pi^2 g)), and a
    kinematic viscosity (m2/s) that replaces the one from the water's temperature (None: by temperature)."""

    gravity_ms2: float = STANDARD_GRAVITY_MS2
    minor_factor_s2m: float | None = None
    viscosity_m2s: float | None = None

    @property
    def minor_loss_s2m(self) -> float:
        """Minor loss (m) of K = 1 for Q = 1 m3/s in a bore of 1 m."""
        if self.minor_factor_s2m is not None:
            return self.minor_factor_s2m
        return 8.0 / (math.pi**2 * self.gravity_ms2)


SI = Constants()


def kv_to_k(kv_m3ph: float, bore_m: float) -> float:
    """Loss coefficient K, on the velocity in ``bore_m``, of a fitting with flow coefficient Kv
    (m3/h at 1 bar).

    Q = Kv sqrt(dp / 1 bar) at 1000 kg/m3 (IEC 60534-1) set equal to dp = K rho v^2 / 2.
    """
    area_m2 = math.pi * bore_m**2 / 4.0
    return 2.0e5 * (3600.0 * area_m2) ** 2 / (1000.0 * kv_m3ph**2)
