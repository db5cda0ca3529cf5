"""Every plant's root zone in many ways the weather may go, all at once.

The same balance as ``agronomy.need.advance_day``, to the last digit (held by a test), over arrays of shape
(members, plants). Depths are mm over the canopy; ``gross`` litres are at the emitters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy import young
from scheduler.agronomy.coefficients import kind_of, plant_coefficient
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, CONTAINER_DUE_SHARE, available_mm
from scheduler.agronomy.rootzone import P_MAX, P_MIN, P_PER_MM, P_TABLE_ETC_MM, SMALL_RAIN_SHARE
from scheduler.site.model import Plant

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Tables that are kept: a day is planned when it begins and again as its windows open.
TABLES_KEPT = 8


@dataclass(frozen=True, slots=True, eq=False)
class PlantTable:
    """What the balance needs of the plants on the days ahead: rows by plant, or (days, plants)."""

    plants: tuple[Plant, ...]
    days: tuple[date, ...]
    canopy_m2: Array
    taw_mm: Array  # a young plant's: the most that it is owed
    p_table: Array
    container: Flags
    coefficient: Array  # (days, plants); 0 for a plant watered by age
    by_age: Flags  # (days, plants)
    dose_mm: Array  # net depth of a young plant's dose; 0 elsewhere
    daily_dose_mm: Array  # (days, plants)
    dose_due_mm: Array  # (days, plants): owed depth at which a dose is due
    some_container: bool
    all_container: bool
    some_by_age: tuple[bool, ...]  # (days): whether any plant is

    def gross_l(self, depth_mm: Array) -> Array:
        return np.asarray(depth_mm * self.canopy_m2 / APPLICATION_EFFICIENCY)

    def net_mm(self, gross_l: Array) -> Array:
        return np.asarray(gross_l * APPLICATION_EFFICIENCY / self.canopy_m2)


@dataclass(frozen=True, slots=True, eq=False)
class ZonesDay:
    """A day of all root zones, mm, (members, plants). ``lacking_mm``: what the plants would have used."""

    depletion_mm: Array
    used_mm: Array
    lacking_mm: Array
    percolated_mm: Array


def plant_table(plants: Sequence[Plant], days: Sequence[date]) -> PlantTable:
    """The table of those plants and days; not to be written to, for the last ones are given out again.
    ValueError as from ``available_mm`` and ``plant_coefficient``."""
    return _table(tuple(plants), tuple(days))


@lru_cache(maxsize=TABLES_KEPT)
def _table(plants: tuple[Plant, ...], days: tuple[date, ...]) -> PlantTable:
    by_age = np.array([[young.is_young(p, d) for p in plants] for d in days]).reshape(len(days), len(plants))
    canopy = np.array([p.canopy_m2 for p in plants])
    net = APPLICATION_EFFICIENCY / canopy
    ever_young = [any(young.is_young(p, d) for d in days) for p in plants]
    dose = np.array([young.dose_l(p) if y else 0.0 for p, y in zip(plants, ever_young, strict=True)]) * net
    every = np.array(
        [
            [young.interval_d(p, d) if y else 1.0 for p, y in zip(plants, row, strict=True)]
            for d, row in zip(days, by_age, strict=True)
        ]
    ).reshape(len(days), len(plants))
    coefficient = np.array([_coefficients(p, days) for p in plants]).T.reshape(len(days), len(plants))
    container = np.array([p.container_l is not None for p in plants])
    return PlantTable(
        plants=plants,
        days=days,
        canopy_m2=canopy,
        taw_mm=np.array([_available(p, y) for p, y in zip(plants, ever_young, strict=True)]),
        p_table=np.array([kind_of(p).p for p in plants]),
        container=container,
        coefficient=coefficient,
        by_age=by_age,
        dose_mm=dose,
        daily_dose_mm=dose / every,
        dose_due_mm=dose * (1.0 - 0.5 / every),
        some_container=bool(container.any()),
        all_container=bool(container.all()),
        some_by_age=tuple(bool(row.any()) for row in by_age),
    )


def _coefficients(plant: Plant, days: Sequence[date]) -> list[float]:
    if plant.plant_factor is not None and plant.planted is None:
        return [plant.plant_factor] * len(days)
    return [plant_coefficient(plant, d) for d in days]


def _available(plant: Plant, ever_young: bool) -> float:
    """A plant watered by age throughout needs no soil."""
    if ever_young and plant.soil is None and plant.container_l is None:
        return young.DOSES_OWED_MAX * young.dose_l(plant) * APPLICATION_EFFICIENCY / plant.canopy_m2
    return available_mm(plant)


def use_mm(table: PlantTable, i: int, et0_mm: Array) -> Array:
    """ETc of day ``i`` without stress, (members, plants), or the daily part of a young plant's dose."""
    etc = table.coefficient[i] * et0_mm[:, None]
    return np.asarray(np.where(table.by_age[i], table.daily_dose_mm[i], etc))


def readily_mm(table: PlantTable, i: int, etc_mm: Array) -> Array:
    """Readily available water at that use; a young plant's dose."""
    p = np.clip(table.p_table + P_PER_MM * (P_TABLE_ETC_MM - etc_mm), P_MIN, P_MAX)
    return np.asarray(np.where(table.by_age[i], table.dose_mm, p * table.taw_mm))


def due_now(table: PlantTable, i: int, depletion_mm: Array, etc_mm: Array, raw_mm: Array) -> Flags:
    """Which plants fall due, as ``agronomy.need.plant_need`` has it with today's expected use."""
    if table.all_container:
        due = depletion_mm >= CONTAINER_DUE_SHARE * table.taw_mm
    else:
        due = (depletion_mm > 0.0) & (depletion_mm + etc_mm >= raw_mm)
        if table.some_container:
            due = np.where(table.container, depletion_mm >= CONTAINER_DUE_SHARE * table.taw_mm, due)
    if table.some_by_age[i]:
        due = np.where(table.by_age[i], depletion_mm >= table.dose_due_mm[i], due)
    return due


def zones_day(
    table: PlantTable, i: int, depletion_mm: Array, et0_mm: Array, rain_mm: Array, water_mm: Array
) -> ZonesDay:
    """Day ``i`` of every member and plant; ``et0_mm``, ``rain_mm``: (members), ``water_mm`` at the roots."""
    etc = use_mm(table, i, et0_mm)
    most = np.where(table.by_age[i], young.DOSES_OWED_MAX * table.dose_mm, table.taw_mm)
    raw = readily_mm(table, i, etc)
    start = np.minimum(np.maximum(depletion_mm, 0.0), most)
    ks = np.clip((most - start) / np.maximum(most - raw, 1e-12), 0.0, 1.0)
    used = np.where(table.by_age[i], etc, ks * etc)
    wets = rain_mm >= SMALL_RAIN_SHARE * et0_mm
    rain = np.where(wets[:, None], np.minimum(rain_mm[:, None], start + used), 0.0)
    end = start + used - rain - water_mm
    over = np.maximum(0.0, end - most)
    end, used = end - over, used - over
    return ZonesDay(np.maximum(0.0, end), used, etc - used, np.maximum(0.0, -end))
