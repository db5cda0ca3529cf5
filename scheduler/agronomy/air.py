"""Humidity, pressure and wind for the reference evapotranspiration of FAO-56.

Temperatures in degC, pressures and vapour pressures in kPa, wind in m/s. "Eq" is an equation number of
Allen, Pereira, Raes, Smith (1998), *Crop evapotranspiration*, FAO Irrigation and Drainage Paper 56.
"""

from __future__ import annotations

from math import exp, log

# FAO-56 Eq 47 is singular near the ground; a wind gauge stands no lower than this.
WIND_HEIGHT_MIN_M = 0.2
# The height that Eq 6 wants.
WIND_REFERENCE_HEIGHT_M = 2.0


def pressure_kpa(altitude_m: float) -> float:
    """Mean air pressure at an altitude (Eq 7)."""
    return float(101.3 * ((293.0 - 0.0065 * altitude_m) / 293.0) ** 5.26)


def psychrometric_constant(pressure: float) -> float:
    """gamma in kPa/degC from the pressure in kPa (Eq 8)."""
    return 0.665e-3 * pressure


def saturation_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure e0(T) (Eq 11)."""
    return 0.6108 * exp(17.27 * temperature_c / (temperature_c + 237.3))


def mean_saturation_kpa(tmin_c: float, tmax_c: float) -> float:
    """es of a day (Eq 12): the mean of e0 at both ends, never e0 of the mean, which is too low."""
    return (saturation_kpa(tmax_c) + saturation_kpa(tmin_c)) / 2.0


def saturation_slope(temperature_c: float) -> float:
    """Delta in kPa/degC (Eq 13)."""
    return 4098.0 * saturation_kpa(temperature_c) / (temperature_c + 237.3) ** 2


def vapour_from_wet_bulb_kpa(
    dry_c: float, wet_c: float, pressure: float, instrument: float = 0.000662
) -> float:
    """ea from a wet and a dry bulb (Eq 15, 16).

    ``instrument`` is 0.000662 aspirated, 0.0008 in natural ventilation, 0.0012 indoors.
    """
    return saturation_kpa(wet_c) - instrument * pressure * (dry_c - wet_c)


def vapour_from_rh_range_kpa(tmin_c: float, tmax_c: float, rh_min_pct: float, rh_max_pct: float) -> float:
    """ea from both relative humidities in percent (Eq 17), the best of the three forms with humidity."""
    return (saturation_kpa(tmin_c) * rh_max_pct + saturation_kpa(tmax_c) * rh_min_pct) / 200.0


def vapour_from_rh_max_kpa(tmin_c: float, rh_max_pct: float) -> float:
    """ea from the greatest relative humidity alone (Eq 18)."""
    return saturation_kpa(tmin_c) * rh_max_pct / 100.0


def vapour_from_rh_mean_kpa(tmin_c: float, tmax_c: float, rh_mean_pct: float) -> float:
    """ea from the mean relative humidity (Eq 19), the least preferred."""
    return mean_saturation_kpa(tmin_c, tmax_c) * rh_mean_pct / 100.0


def wind_at_2m_ms(wind_ms: float, height_m: float) -> float:
    """Wind at 2 m from wind at another height over short grass (Eq 47).

    Raises ValueError below 0.2 m, where the logarithmic profile does not hold.
    """
    if height_m < WIND_HEIGHT_MIN_M:
        raise ValueError(
            f"wind measured {height_m} m above the ground; at least {WIND_HEIGHT_MIN_M} m is needed"
        )
    if height_m == WIND_REFERENCE_HEIGHT_M:
        return wind_ms  # the printed coefficients give 0.9999 here
    return wind_ms * 4.87 / log(67.8 * height_m - 5.42)
