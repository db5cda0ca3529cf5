"""Quantities for people: metric or US units, and only the digits that are known.

Plain factors by definition, so that a daemon that only shows numbers never loads Pint.
"""

from __future__ import annotations

import math

from scheduler.site.model import DisplayUnits

# NIST Handbook 44 Appendix C, all exact: inch 25.4 mm, US gallon 231 cubic inches.
_METRE_PER_INCH = 0.0254
_METRE_PER_FOOT = 0.3048
_MM_PER_INCH = 25.4
_LITRE_PER_GALLON = 3.785411784
_M2_PER_FT2 = 0.09290304
_UNKNOWN = "unknown"
# Metres of water that 1 psi holds up, from 6894.757 Pa, 1000 kg/m3 and 9.80665 m/s2.
_METRE_PER_PSI = 0.70306958


def _digits(value: float, significant: int, most_decimals: int) -> str:
    """So many significant digits, but never a whole digit dropped, nor more decimals than given."""
    size = abs(value)
    whole = 1 if size < 1 else math.floor(math.log10(size)) + 1
    decimals = max(0, min(most_decimals, significant - whole))
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def show_volume(volume_l: float | None, units: DisplayUnits = "metric") -> str:
    """Litres or US gallons, three digits: ``"4.2 L"``, ``"1040 L"``, ``"275 gal"``."""
    if volume_l is None or not _known(volume_l):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(volume_l / _LITRE_PER_GALLON, 3, 2)} gal"
    return f"{_digits(volume_l, 3, 1)} L"


def show_whole_volume(volume_l: float | None, units: DisplayUnits = "metric") -> str:
    """Of days to come, which are not known better: whole litres or tenths of a gallon, three digits."""
    if volume_l is None or not _known(volume_l):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(volume_l / _LITRE_PER_GALLON, 3, 1)} gal"
    return f"{_digits(volume_l, 3, 0)} L"


def show_length(length_m: float | None, units: DisplayUnits = "metric") -> str:
    """Metres, centimetres or millimetres by size; feet above 3 ft, else inches."""
    if length_m is None or not _known(length_m):
        return _UNKNOWN
    size = abs(length_m)
    if units == "us":
        if size >= 3 * _METRE_PER_FOOT:
            return f"{_digits(length_m / _METRE_PER_FOOT, 3, 1)} ft"
        return f"{_digits(length_m / _METRE_PER_INCH, 3, 1)} in"
    if size >= 1:
        return f"{_digits(length_m, 3, 2)} m"
    return f"{_digits(length_m * 100, 3, 1)} cm"


def show_whole_length(length_m: float | None, units: DisplayUnits = "metric") -> str:
    """Of what is known no better: whole centimetres or inches."""
    if length_m is None or not _known(length_m):
        return _UNKNOWN
    if units == "us":
        return f"{length_m / _METRE_PER_INCH:.0f} in"
    return f"{100.0 * length_m:.0f} cm"


def give_or_take(off: str, figure: str = "") -> str:
    """A figure and how far off it may be on either side; no line ends within them."""
    return f"{figure} ± {off}".replace(" ", "\N{NO-BREAK SPACE}")


show_level = show_length
show_head = show_length


def show_flow(flow_lph: float | None, units: DisplayUnits = "metric") -> str:
    """L/h; or gph, and gpm from 60 gph on."""
    if flow_lph is None or not _known(flow_lph):
        return _UNKNOWN
    if units == "us":
        gph = flow_lph / _LITRE_PER_GALLON
        if abs(gph) >= 60:
            return f"{_digits(gph / 60, 3, 2)} gpm"
        return f"{_digits(gph, 3, 2)} gph"
    return f"{_digits(flow_lph, 3, 1)} L/h"


def show_rain(rain_mm: float | None, units: DisplayUnits = "metric") -> str:
    """A depth of rain or of evapotranspiration: millimetres or inches."""
    if rain_mm is None or not _known(rain_mm):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(rain_mm / _MM_PER_INCH, 3, 2)} in"
    return f"{_digits(rain_mm, 3, 1)} mm"


show_depth = show_rain


def show_area(area_m2: float | None, units: DisplayUnits = "metric") -> str:
    if area_m2 is None or not _known(area_m2):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(area_m2 / _M2_PER_FT2, 3, 1)} ft2"
    return f"{_digits(area_m2, 3, 2)} m2"


def show_pressure(head_m: float | None, units: DisplayUnits = "metric") -> str:
    """A head as the pressure it makes: kPa or psi."""
    if head_m is None or not _known(head_m):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(head_m / _METRE_PER_PSI, 3, 2)} psi"
    return f"{_digits(head_m * 9.80665, 3, 1)} kPa"


def show_temperature(temperature_c: float | None, units: DisplayUnits = "metric") -> str:
    if temperature_c is None or not _known(temperature_c):
        return _UNKNOWN
    if units == "us":
        return f"{_digits(temperature_c * 9 / 5 + 32, 3, 0)} °F"
    return f"{_digits(temperature_c, 3, 1)} °C"


def show_share(share: float | None) -> str:
    """A share of one in percent: ``"85 %"``; one decimal below 10 %."""
    if share is None or not _known(share):
        return _UNKNOWN
    return f"{_digits(share * 100, 2, 1)} %"


def show_duration(duration_s: float | None) -> str:
    """Seconds below two minutes, then minutes, then hours: ``"45 s"``, ``"17 min"``, ``"2 h 05 min"``."""
    if duration_s is None or not _known(duration_s):
        return _UNKNOWN
    if duration_s < 0:
        return f"-{show_duration(-duration_s)}"
    if duration_s < 10:
        return f"{_digits(duration_s, 2, 1)} s"
    if duration_s < 120:
        return f"{duration_s:.0f} s"
    minutes = round(duration_s / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest:02d} min" if rest else f"{hours} h"
    days, hours = divmod(round(minutes / 60), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
