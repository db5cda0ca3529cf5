"""What each plant needs: its root zone carried from day to day, and the litres that refill it now.

Three ways, by plant: in the ground by the root-zone balance of FAO-56; in a container by the same balance of
a small store, watered daily; newly planted trees and shrubs by age (``young``). Depths are mm over the
canopy area. *Gross* litres are litres at the emitters, of which ``APPLICATION_EFFICIENCY`` reaches the roots.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from scheduler.agronomy import young
from scheduler.agronomy.coefficients import kind_of, plant_coefficient
from scheduler.agronomy.et0 import ReferenceEt
from scheduler.agronomy.rootzone import (
    Balance,
    day_balance,
    depletion_fraction,
    effective_rain_mm,
    total_available_mm,
)
from scheduler.agronomy.weather import DayWeather
from scheduler.site.catalogue import SOILS
from scheduler.site.model import DisplayUnits, Plant
from scheduler.site.showing import show_depth, show_share

# Share of the emitted water that the roots get; drip 0.85 to 0.95 (from memory).
APPLICATION_EFFICIENCY = 0.9
# Share of a container's volume that is water its plant can draw; potting mixes hold 0.2 to 0.3
# (common practice, no source).
CONTAINER_AVAILABLE_SHARE = 0.25
# A container is due each day on which at least this share of its store is gone (common practice, no source).
CONTAINER_DUE_SHARE = 0.1

Figures = tuple[tuple[str, float | str], ...]


@dataclass(frozen=True, slots=True)
class RootZone:
    """The state of a plant's root zone at the end of a local day; mm missing from full, over the canopy."""

    plant: str
    depletion_mm: float
    last_watered: date | None


@dataclass(frozen=True, slots=True)
class PlantDay:
    """A day of a plant.

    Over any run of days ``wanted_l - rain_refilled_l`` adds up to what watering has to bring: the plant's use
    less all credited rain, gross. Hence
    ``(wanted_l - rain_refilled_l - given_l + percolated_l) * APPLICATION_EFFICIENCY`` is the change of the
    depletion in litres.
    """

    root_zone: RootZone
    wanted_l: float  # gross: what the plant used and that day's rain did not bring, >= 0
    et0_mm: float
    et0_method: str
    rain_credited_l: float  # at the roots
    given_l: float  # gross, as handed in
    stress: float  # 0 none .. 1 the plant can draw nothing (1 - Ks)
    rain_refilled_l: float = 0.0  # gross: what rain beyond the day's use made good of earlier days
    percolated_l: float = 0.0  # gross: given beyond what the soil could hold
    rain_known: bool = True  # False: rain was unknown, and none is credited


@dataclass(frozen=True, slots=True)
class PlantNeed:
    """What a plant needs now. ``overdue`` is depletion over readily available water; above 1 it suffers."""

    plant: str
    wanted_l: float  # gross, refills the root zone
    due: bool
    why: str
    figures: Figures
    overdue: float


def full_root_zone(plant: Plant) -> RootZone:
    """A root zone at field capacity, as after a soaking."""
    return RootZone(plant.id, 0.0, None)


def available_mm(plant: Plant) -> float:
    """TAW: the water that the plant's full root zone or container holds for it.

    ValueError for a plant without soil and container.
    """
    area = _canopy_m2(plant)
    if plant.container_l is not None:
        return CONTAINER_AVAILABLE_SHARE * plant.container_l / area
    if plant.soil is None:
        raise ValueError(f"plant {plant.id!r} stands neither in a soil nor in a container")
    if plant.soil not in SOILS:
        raise ValueError(f"plant {plant.id!r} stands in {plant.soil!r}, which is not in the soil table")
    soil = SOILS[plant.soil]
    return total_available_mm(soil.fc, soil.wp, plant.root_depth_m or kind_of(plant).root_depth_m)


def advance_day(plant: Plant, zone: RootZone, day: DayWeather, et0: ReferenceEt, given_l: float) -> PlantDay:
    """The root zone after a day with that weather and that much water at the emitters.

    Unknown rain credits nothing and says so in ``rain_known``. ValueError for negative or nan water.
    """
    if not given_l >= 0.0:
        raise ValueError(f"plant {plant.id!r} cannot have been given {given_l} litres")
    water_mm = APPLICATION_EFFICIENCY * given_l / _canopy_m2(plant)
    rain_mm = day.rain_mm if day.rain_mm is not None else 0.0
    if young.is_young(plant, day.day):
        balance = _young_balance(plant, zone, day.day, et0.et0_mm, rain_mm, water_mm)
    else:
        etc = plant_coefficient(plant, day.day) * et0.et0_mm
        balance = day_balance(
            depletion_mm=zone.depletion_mm,
            taw_mm=available_mm(plant),
            p=depletion_fraction(kind_of(plant).p, etc),
            etc_mm=etc,
            et0_mm=et0.et0_mm,
            rain_mm=rain_mm,
            water_mm=water_mm,
        )
    last_watered = day.day if given_l > 0.0 else zone.last_watered
    return PlantDay(
        root_zone=RootZone(plant.id, balance.depletion_mm, last_watered),
        wanted_l=_gross_l(plant, max(0.0, balance.used_mm - balance.rain_mm)),
        et0_mm=et0.et0_mm,
        et0_method=et0.method,
        rain_credited_l=balance.rain_mm * plant.canopy_m2,
        given_l=given_l,
        stress=1.0 - balance.ks,
        rain_refilled_l=_gross_l(plant, max(0.0, balance.rain_mm - balance.used_mm)),
        percolated_l=_gross_l(plant, balance.percolated_mm),
        rain_known=day.rain_mm is not None,
    )


def plant_need(
    plant: Plant,
    zone: RootZone,
    today: date,
    *,
    etc_mm: float | None = None,
    units: DisplayUnits = "metric",
) -> PlantNeed:
    """What refills the root zone at the start of ``today``, and whether watering is due.

    In the ground it is due when the readily available water is used up; with ``etc_mm``, the use expected
    today, already when it will be by tonight (FAO-56 p. 171). Containers are due daily, young plants by age.
    ``units``: of the words.
    """
    if young.is_young(plant, today):
        return _young_need(plant, zone, today)
    taw = available_mm(plant)
    depletion = min(max(zone.depletion_mm, 0.0), taw)
    p_table = kind_of(plant).p
    raw = taw * (p_table if etc_mm is None else depletion_fraction(p_table, etc_mm))
    figures: Figures = (
        ("depletion_mm", depletion),
        ("readily_available_mm", raw),
        ("available_mm", taw),
        ("canopy_m2", plant.canopy_m2),
        ("coefficient", plant_coefficient(plant, today)),
        *((("use_mm_day", etc_mm),) if etc_mm is not None else ()),
    )
    if plant.container_l is not None:
        due = depletion >= CONTAINER_DUE_SHARE * taw
        why = f"its container has given {show_share(depletion / taw)} of the water it holds for the plant"
    else:
        due = depletion > 0.0 and depletion + (etc_mm or 0.0) >= raw
        why = f"{_depth(depletion, units)} used of {_depth(raw, units)} that the soil gives readily"
    return PlantNeed(plant.id, _gross_l(plant, depletion), due, why, figures, depletion / raw)


def _depth(depth_mm: float, units: DisplayUnits) -> str:
    """No tenth of a mm is known of a soil."""
    return show_depth(depth_mm, units) if units == "us" else f"{depth_mm:.0f} mm"


def daily_need_l(plant: Plant, et0_mm: float, day: date) -> float:
    """Gross litres the plant uses on such a day without rain and without stress, for the store's outlook."""
    if young.is_young(plant, day):
        return young.daily_dose_l(plant, day)
    return _gross_l(plant, plant_coefficient(plant, day) * et0_mm)


def _young_balance(
    plant: Plant, zone: RootZone, day: date, et0_mm: float, rain_mm: float, water_mm: float
) -> Balance:
    """The same bookkeeping for a plant watered by age: its use is its dose spread over its interval."""
    dose_mm = _net_mm(plant, young.dose_l(plant))
    owed_max = young.DOSES_OWED_MAX * dose_mm
    start = min(max(zone.depletion_mm, 0.0), owed_max)
    used = _net_mm(plant, young.daily_dose_l(plant, day))
    rain = effective_rain_mm(rain_mm, et0_mm, start + used)
    end = start + used - rain - water_mm
    if end > owed_max:
        used, end = used - (end - owed_max), owed_max
    ks = min(1.0, max(0.0, (owed_max - start) / (owed_max - dose_mm)))
    return Balance(max(0.0, end), used, rain, water_mm, max(0.0, -end), ks)


def _young_need(plant: Plant, zone: RootZone, today: date) -> PlantNeed:
    dose, interval = young.dose_l(plant), young.interval_d(plant, today)
    owed = _gross_l(plant, min(max(zone.depletion_mm, 0.0), young.DOSES_OWED_MAX * _net_mm(plant, dose)))
    due = young.is_due(plant, today, owed)
    every = "day" if interval == 1.0 else f"{interval:.0f} days"
    why = f"newly planted: a dose every {every}; {_come_up(owed / dose, due)} has come up since"
    trunk = "measured" if plant.trunk_diameter_m is not None else "taken as one inch"
    figures: Figures = (
        ("dose_l", dose),
        ("interval_d", interval),
        ("owed_l", owed),
        ("dose_per_day_l", dose / interval),
        ("trunk", trunk),
        ("age_d", float((today - plant.planted).days) if plant.planted else "unknown"),
    )
    return PlantNeed(plant.id, owed, due, why, figures, owed / dose)


def _canopy_m2(plant: Plant) -> float:
    if not plant.canopy_m2 > 0.0:
        raise ValueError(f"plant {plant.id!r} has a canopy of {plant.canopy_m2} m2; it must be above 0")
    return plant.canopy_m2


def _gross_l(plant: Plant, depth_mm: float) -> float:
    return depth_mm * _canopy_m2(plant) / APPLICATION_EFFICIENCY


def _net_mm(plant: Plant, gross_l: float) -> float:
    return gross_l * APPLICATION_EFFICIENCY / _canopy_m2(plant)


def _come_up(doses: float, due: bool) -> str:
    """One that is due before its whole dose is, by part of a day, is not told to some percent."""
    return "nearly all of one" if due and doses < 1.0 else f"{show_share(doses)} of one"
