"""Sun and long-wave radiation for the reference evapotranspiration of FAO-56.

Radiation in MJ m-2 day-1, angles in rad, temperatures in degC. "Eq" is an equation number of FAO-56 (1998).
"""

from __future__ import annotations

from math import acos, cos, pi, radians, sin, sqrt, tan

# FAO-56 Eq 21: solar constant, MJ m-2 min-1.
SOLAR_CONSTANT = 0.0820
# Stefan-Boltzmann, MJ K-4 m-2 day-1, as ASCE (2005) has it; FAO-56 Eq 39 prints 4.903e-9,
# 5.670374e-8 W m-2 K-4 (CODATA) is 4.899e-9.
STEFAN_BOLTZMANN = 4.901e-9
# FAO-56 Eq 38: albedo of the grass reference.
ALBEDO = 0.23
# FAO-56 Eq 35: the uncalibrated Angstrom coefficients.
ANGSTROM_A, ANGSTROM_B = 0.25, 0.50
# FAO-56 Eq 50: Hargreaves' adjustment away from and near the sea.
KRS_INTERIOR, KRS_COASTAL = 0.16, 0.19
# FAO-56 Eq 39 caps Rs/Rso at 1.0; the floor is ASCE's standardized equation (2005), Eq 18.
CLEARNESS_MIN, CLEARNESS_MAX = 0.3, 1.0
# FAO-56 ch. 4 gives 0.4 to 0.6 for hours without sun in humid air; used where the sun stays down all day.
CLEARNESS_WITHOUT_SUN = 0.5
# Below this clear-sky radiation the ratio Rs/Rso says nothing (ours).
CLEAR_SKY_MIN = 1e-3


def _sun(latitude_deg: float, day_of_year: int) -> tuple[float, float, float, float]:
    """Latitude, inverse relative distance dr, declination, sunset hour angle (Eq 22 to 25)."""
    phi = radians(latitude_deg)
    dr = 1.0 + 0.033 * cos(2.0 * pi * day_of_year / 365.0)
    declination = 0.409 * sin(2.0 * pi * day_of_year / 365.0 - 1.39)
    hour = -tan(phi) * tan(declination)
    # Beyond the polar circles the sun does not set, or does not rise.
    return phi, dr, declination, acos(min(1.0, max(-1.0, hour)))


def extraterrestrial(latitude_deg: float, day_of_year: int) -> float:
    """Ra above the air (Eq 21). Latitude south is negative."""
    phi, dr, declination, sunset = _sun(latitude_deg, day_of_year)
    path = sunset * sin(phi) * sin(declination) + cos(phi) * cos(declination) * sin(sunset)
    return max(0.0, 24.0 * 60.0 / pi * SOLAR_CONSTANT * dr * path)


def daylight_h(latitude_deg: float, day_of_year: int) -> float:
    """N, the longest possible sunshine in hours (Eq 34)."""
    return 24.0 / pi * _sun(latitude_deg, day_of_year)[3]


def solar_from_sunshine(sunshine_h: float, possible_h: float, ra: float) -> float:
    """Rs from hours of sun (Eq 35)."""
    share = 0.0 if possible_h <= 0.0 else sunshine_h / possible_h
    return (ANGSTROM_A + ANGSTROM_B * share) * ra


def clear_sky(ra: float, altitude_m: float) -> float:
    """Rso under a clear sky (Eq 37)."""
    return (0.75 + 2e-5 * altitude_m) * ra


def solar_from_temperature(tmin_c: float, tmax_c: float, ra: float, *, coastal: bool) -> float:
    """Rs from the day's temperature range (Eq 50), before the limit Rso. Good over days, rough for one."""
    return (KRS_COASTAL if coastal else KRS_INTERIOR) * sqrt(tmax_c - tmin_c) * ra


def net_shortwave(rs: float) -> float:
    """Rns (Eq 38)."""
    return (1.0 - ALBEDO) * rs


def clearness(rs: float, rso: float) -> float:
    """Rs/Rso within 0.3 to 1.0."""
    if rso < CLEAR_SKY_MIN:
        return CLEARNESS_WITHOUT_SUN
    return min(CLEARNESS_MAX, max(CLEARNESS_MIN, rs / rso))


def net_longwave(tmin_c: float, tmax_c: float, vapour_kpa: float, relative_clearness: float) -> float:
    """Rnl lost to the sky (Eq 39). ``relative_clearness`` is Rs/Rso, as ``clearness`` gives it."""
    fourth_powers = ((tmax_c + 273.16) ** 4 + (tmin_c + 273.16) ** 4) / 2.0
    humidity = 0.34 - 0.14 * sqrt(vapour_kpa)
    return STEFAN_BOLTZMANN * fourth_powers * humidity * (1.35 * relative_clearness - 0.35)
