"""Water: viscosity and density between 0 and 40 degC at one atmosphere."""

from __future__ import annotations

# Kestin, Sokolov & Wakeham (1978), J. Phys. Chem. Ref. Data 7(3), correlation of viscosity
# relative to 20 degC;
# coefficients from memory, checked against IAPWS-97 in the tests.
VISCOSITY_20C_PAS = 1.002e-3
_KESTIN = (1.2364, -1.37e-3, 5.7e-6)
# Kell (1975), J. Chem. Eng. Data 20(1), density of air-free water; checked against IAPWS-97 in the tests.
_KELL = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_DENOMINATOR = 16.879850e-3

TEMPERATURE_MIN_C = 0.0
TEMPERATURE_MAX_C = 40.0


def viscosity_pas(temperature_c: float) -> float:
    """Dynamic viscosity (Pa s), within 0.1 % of IAPWS-97 from 5 to 30 degC. ValueError outside 0
    to 40 degC."""
    _check(temperature_c)
    below = 20.0 - temperature_c
    a, b, c = _KESTIN
    return float(
        VISCOSITY_20C_PAS * 10.0 ** (below / (temperature_c + 96.0) * (a + b * below + c * below**2))
    )


def density_kgm3(temperature_c: float) -> float:
    """Density (kg/m3), within 0.01 kg/m3 of IAPWS-97 from 5 to 30 degC. ValueError outside 0 to 40 degC."""
    _check(temperature_c)
    total = sum(c * temperature_c**i for i, c in enumerate(_KELL))
    return total / (1.0 + _KELL_DENOMINATOR * temperature_c)


def kinematic_viscosity_m2s(temperature_c: float) -> float:
    """Kinematic viscosity (m2/s)."""
    return viscosity_pas(temperature_c) / density_kgm3(temperature_c)


def _check(temperature_c: float) -> None:
    if not TEMPERATURE_MIN_C <= temperature_c <= TEMPERATURE_MAX_C:
        raise ValueError(f"water at {temperature_c} degC: the formulas hold from 0 to 40 degC")
