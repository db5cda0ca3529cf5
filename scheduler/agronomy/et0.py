"""Reference evapotranspiration of a day: FAO-56 Penman-Monteith, and what stands in for a missing input.

"Eq" is an equation number of FAO-56 (1998); what replaces a missing input is its chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import isfinite, sqrt

from scheduler.agronomy import air, radiation
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace

# FAO-56 Eq 20: mm of water that 1 MJ/m2 evaporates, 1/2.45 as printed.
MM_PER_MJ = 0.408
# FAO-56 ch. 3: the mean of some 2000 weather stations, taken where wind is unknown.
WIND_ASSUMED_MS = 2.0
# FAO-56 ch. 3: wind in Eq 6 is never less, since the instrument and the air are never quite still.
WIND_MIN_MS = 0.5
# FAO-56 ch. 3: in arid places the dew point lies 2 to 3 degC under Tmin; the smaller step is taken.
ARID_DEW_STEP_C = 2.0
# Solar readings above the air's edge by more than this are a wrong unit, not weather (ours, MJ m-2 day-1).
SOLAR_OVER_LIMIT = 1.0

METHOD = "FAO-56 Penman-Monteith"
HARGREAVES_METHOD = "Hargreaves (FAO-56 Eq 52)"


@dataclass(frozen=True, slots=True)
class ReferenceEt:
    """ET0 of a day in mm, how it was got in words, and the inputs that were missing and were replaced.

    ``filled`` holds "humidity", "solar" and "wind", in that order, where they were replaced.
    """

    et0_mm: float
    method: str
    filled: tuple[str, ...]


def penman_monteith_mm(
    *,
    tmean_c: float,
    net_radiation: float,
    wind_2m_ms: float,
    deficit_kpa: float,
    gamma: float,
    soil_heat: float = 0.0,
) -> float:
    """ET0 in mm/day (Eq 6). Radiation and soil heat flux in MJ m-2 day-1, ``deficit_kpa`` es - ea."""
    slope = air.saturation_slope(tmean_c)
    energy = MM_PER_MJ * slope * (net_radiation - soil_heat)
    drying = gamma * 900.0 / (tmean_c + 273.0) * wind_2m_ms * deficit_kpa
    return (energy + drying) / (slope + gamma * (1.0 + 0.34 * wind_2m_ms))


def hargreaves_mm(tmin_c: float, tmax_c: float, ra: float) -> float:
    """ET0 in mm/day from temperature alone (Eq 52); ``ra`` in MJ m-2 day-1.

    Low in wind above 3 m/s, high in humid air; FAO-56 prefers Eq 6 with estimated inputs.
    """
    return 0.0023 * ((tmax_c + tmin_c) / 2.0 + 17.8) * sqrt(tmax_c - tmin_c) * MM_PER_MJ * ra


def hargreaves(day: DayWeather, place: GardenPlace) -> ReferenceEt | None:
    """ET0 from the day's temperatures and the latitude only; None without both temperatures."""
    if day.tmin_c is None or day.tmax_c is None:
        return None
    _check(day)
    ra = radiation.extraterrestrial(place.latitude_deg, day.day.timetuple().tm_yday)
    et0 = max(0.0, hargreaves_mm(day.tmin_c, day.tmax_c, ra))
    return ReferenceEt(et0, HARGREAVES_METHOD, ("humidity", "solar", "wind"))


# The days about today are asked for at each plan, each balance and each order.
@lru_cache(maxsize=256)
def reference_et(
    day: DayWeather, place: GardenPlace, *, wind_min_ms: float = WIND_MIN_MS
) -> ReferenceEt | None:
    """ET0 of a day by Eq 6, with FAO-56's replacements for what was not measured.

    ``wind_min_ms`` is the floor of the wind at 2 m; 0 gives ASCE's standardized equation, which has none.

    None without Tmin and Tmax, for which there is no substitute. Never negative: dew is not counted.
    Raises ValueError, naming the day and the value, where an input cannot be (Tmax under Tmin, nan,
    humidity outside 0 to 100 percent, solar radiation beyond the sun's).
    """
    if day.tmin_c is None or day.tmax_c is None:
        return None
    _check(day)
    tmin, tmax = day.tmin_c, day.tmax_c
    ra = radiation.extraterrestrial(place.latitude_deg, day.day.timetuple().tm_yday)
    rso = radiation.clear_sky(ra, place.altitude_m)
    vapour, vapour_note = _vapour(day, tmin, tmax, arid=place.arid)
    rs, solar_note = _solar(day, tmin, tmax, ra, rso, coastal=place.coastal)
    wind, wind_note = _wind(day, wind_min_ms)
    longwave = radiation.net_longwave(tmin, tmax, vapour, radiation.clearness(rs, rso))
    et0 = penman_monteith_mm(
        tmean_c=(tmin + tmax) / 2.0,
        net_radiation=radiation.net_shortwave(rs) - longwave,
        wind_2m_ms=wind,
        deficit_kpa=air.mean_saturation_kpa(tmin, tmax) - vapour,
        gamma=air.psychrometric_constant(air.pressure_kpa(place.altitude_m)),
    )
    notes = {"humidity": vapour_note, "solar": solar_note, "wind": wind_note}
    filled = tuple(name for name, note in notes.items() if note)
    text = "; ".join([METHOD, *(note for note in notes.values() if note)])
    return ReferenceEt(max(0.0, et0), text, filled)


def _vapour(day: DayWeather, tmin: float, tmax: float, *, arid: bool) -> tuple[float, str]:
    """ea in kPa by the best form at hand, and a note where it had to be guessed from Tmin."""
    note = ""
    if day.dewpoint_c is not None:
        vapour = air.saturation_kpa(day.dewpoint_c)
    elif day.rh_max_pct is not None and day.rh_min_pct is not None:
        vapour = air.vapour_from_rh_range_kpa(tmin, tmax, day.rh_min_pct, day.rh_max_pct)
    elif day.rh_max_pct is not None:
        vapour = air.vapour_from_rh_max_kpa(tmin, day.rh_max_pct)
    elif day.rh_mean_pct is not None:
        vapour = air.vapour_from_rh_mean_kpa(tmin, tmax, day.rh_mean_pct)
    else:
        step = ARID_DEW_STEP_C if arid else 0.0
        vapour = air.saturation_kpa(tmin - step)
        note = f"humidity from Tmin less {step:g} °C" if arid else "humidity from Tmin"
    # Air holds no more than saturation; a forecast's mean dew point can stand above it on a foggy day.
    return min(vapour, air.mean_saturation_kpa(tmin, tmax)), note


def _solar(
    day: DayWeather, tmin: float, tmax: float, ra: float, rso: float, *, coastal: bool
) -> tuple[float, str]:
    """Rs, measured or from the temperature range and then no more than a clear sky gives."""
    if day.solar_mj_m2 is None:
        estimate = radiation.solar_from_temperature(tmin, tmax, ra, coastal=coastal)
        return min(estimate, rso), "sun from the temperature range"
    if day.solar_mj_m2 > ra + SOLAR_OVER_LIMIT:
        raise ValueError(
            f"{day.day}: solar radiation {day.solar_mj_m2:g} MJ/m2, more than reaches the top of the air "
            f"({ra:.1f} MJ/m2); is the unit right?"
        )
    return day.solar_mj_m2, ""


def _wind(day: DayWeather, wind_min_ms: float) -> tuple[float, str]:
    """Wind at 2 m for Eq 6."""
    if day.wind_ms is None:
        return WIND_ASSUMED_MS, f"wind taken as {WIND_ASSUMED_MS:g} m/s"
    return max(wind_min_ms, air.wind_at_2m_ms(day.wind_ms, day.wind_height_m)), ""


def _check(day: DayWeather) -> None:
    """Raise ValueError where an input cannot be."""
    for name in _NUMBERS:
        value = getattr(day, name)
        if value is not None and not isfinite(value):
            raise ValueError(f"{day.day}: {name} is {value}, not a number; leave it out where it is unknown")
    for name in _PERCENT:
        value = getattr(day, name)
        if value is not None and not 0.0 <= value <= 100.0:
            raise ValueError(f"{day.day}: {name} is {value:g}; a percentage from 0 to 100 is needed")
    for name in _NOT_NEGATIVE:
        value = getattr(day, name)
        if value is not None and value < 0.0:
            raise ValueError(f"{day.day}: {name} is {value:g}; it cannot be negative")
    if day.tmin_c is not None and day.tmax_c is not None and day.tmax_c < day.tmin_c:
        raise ValueError(f"{day.day}: Tmax {day.tmax_c:g} °C lies under Tmin {day.tmin_c:g} °C")


_PERCENT = ("rh_min_pct", "rh_max_pct", "rh_mean_pct")
_NOT_NEGATIVE = ("wind_ms", "solar_mj_m2", "rain_mm")
_NUMBERS = ("tmin_c", "tmax_c", "dewpoint_c", "wind_height_m", *_PERCENT, *_NOT_NEGATIVE)
