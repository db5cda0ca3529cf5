"""Last door before the controller: a figure that cannot be weather becomes *not known*.

The readers refuse what is plainly wrong, with its place. Some figures show only against the garden's place
(more sun than reaches the air above it), and a kept file may have been altered. One such figure must
neither stop the garden nor hide the rest of the day.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from scheduler.agronomy import radiation
from scheduler.agronomy.et0 import SOLAR_OVER_LIMIT
from scheduler.agronomy.weather import DayWeather, Ensemble, Outlook
from scheduler.site.model import GardenPlace
from scheduler.weather.ranges import PERCENT, RAIN, SOLAR, TEMPERATURE, WIND, WIND_HEIGHT, Range

CHANCE = Range(0.0, 1.0, "")
RANGES: Mapping[str, Range] = {
    "tmin_c": TEMPERATURE,
    "tmax_c": TEMPERATURE,
    "rain_mm": RAIN,
    "rain_probability": CHANCE,
    "dewpoint_c": TEMPERATURE,
    "rh_min_pct": PERCENT,
    "rh_max_pct": PERCENT,
    "rh_mean_pct": PERCENT,
    "wind_ms": WIND,
    "solar_mj_m2": SOLAR,
}
# Below the least and above the greatest of a pair, neither can be trusted.
PAIRS = (("tmin_c", "tmax_c"), ("rh_min_pct", "rh_max_pct"))


def possible_outlook(outlook: Outlook, place: GardenPlace) -> Outlook:
    """The outlook with each day as ``possible_day``, those of its ensemble's members too."""
    members = outlook.ensemble
    if members is not None:
        members = possible_ensemble(members, place)
    return replace(outlook, days=possible_days(outlook.days, place), ensemble=members)


def possible_ensemble(members: Ensemble, place: GardenPlace) -> Ensemble:
    """The ensemble with each member's day as ``possible_day``."""
    ways = [possible_days(members.member(n), place) for n in range(members.members)]
    return replace(
        members,
        rain_mm=tuple(tuple(d.rain_mm for d in way) for way in ways),
        tmin_c=tuple(tuple(d.tmin_c for d in way) for way in ways),
        tmax_c=tuple(tuple(d.tmax_c for d in way) for way in ways),
        solar_mj_m2=tuple(tuple(d.solar_mj_m2 for d in way) for way in ways) if members.solar_mj_m2 else (),
    )


def possible_days(days: Iterable[DayWeather], place: GardenPlace) -> tuple[DayWeather, ...]:
    """Each day as ``possible_day``."""
    return tuple(possible_day(d, place) for d in days)


def possible_day(day: DayWeather, place: GardenPlace) -> DayWeather:
    """The day with None for what cannot be; ``reference_et`` takes any day that comes out of here."""
    values = {name: getattr(day, name) for name in RANGES}
    bad = {name for name, value in values.items() if value is not None and not RANGES[name].holds(value)}
    for low, high in PAIRS:
        if values[low] is not None and values[high] is not None and values[low] > values[high]:
            bad |= {low, high}
    if not WIND_HEIGHT.holds(day.wind_height_m):
        bad.add("wind_ms")
    if values["solar_mj_m2"] is not None and values["solar_mj_m2"] > _most_solar(day, place):
        bad.add("solar_mj_m2")
    changes: dict[str, Any] = dict.fromkeys(bad)
    if not WIND_HEIGHT.holds(day.wind_height_m):
        changes["wind_height_m"] = DayWeather.__dataclass_fields__["wind_height_m"].default
    return replace(day, **changes) if changes else day


def _most_solar(day: DayWeather, place: GardenPlace) -> float:
    """MJ m-2 day-1: what reaches the top of the air there on that day (FAO-56 Eq 21), and the slack."""
    return radiation.extraterrestrial(place.latitude_deg, day.day.timetuple().tm_yday) + SOLAR_OVER_LIMIT
