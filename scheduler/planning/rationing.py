"""Who gets the water when the store will not last.

A litre to a zone has a *value* on each day: the stress that it spares, each plant counted by its rank (module
``doses``). In every member of the weather ahead all doses of at least some value are served, for many such
levels; the least level that the store carries up to the day on which it is full again, or to the end, is what
a stored litre is worth in that member. The mean over the members is the *worth of a stored litre*: a zone is
watered today only if the value of its dose is not below it. So low ranks are cut before all, first ranks are
kept safe by as much as the weather is uncertain, and what is kept for them is let go by the same rule once
rain or the season's end makes it needless.

The same reasoning prices stored water in the running of reservoirs ("water value", Masse 1946; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.doses import (
    LEAST_USEFUL_SHARE,
    Coming,
    coming,
    litre_values,
    middle_of,
    next_mm,
    zone_doses_l,
)
from scheduler.planning.garden_ahead import GardenAhead
from scheduler.supply.storage import roof_catches_l

Array = NDArray[np.float64]

# Parts of a dose that are tried, the whole first; none below the least useful (ours).
PARTS = (1.0, 0.9, 0.8, 0.7, 0.6, LEAST_USEFUL_SHARE)
# What is believed of the worth that the members show: each counts every later dose as whole and unavoidable,
# though it will be weighed again (ours; chosen on Seattle's 2013 and 2014, the other seasons judge it).
BELIEVED = 0.8
# Levels of value at which the store is tried, and the least of them over the greatest (ours).
LEVELS = 40
LEAST_LEVEL = 1e-3
# How exactly missing litres are said.
STEP_L = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """The doses that the garden would draw if none were refused, and what a litre of each is worth."""

    zones_l: Array  # (days, members, zones)
    value: Array  # (days, members, zones): of a litre of a whole dose
    part_value: Array  # (parts, members, zones): of a litre of each of ``PARTS`` on the first day
    caught_l: Array  # (members, days)


@dataclass(frozen=True, slots=True, eq=False)
class Allotment:
    """Today's water by zone, (zones)."""

    litres: Array
    dose_l: Array  # the dose that is due, 0 where none is
    value: Array  # of a litre to the zone today; nan where no zone is due
    worth: Array  # of the stored litres that the dose would take; nan where none is due
    missing_l: Array  # so much more in the store, and a refused dose is given; nan where none is refused


def allotted(
    garden: GardenAhead, held_l: float, depletion_mm: Array, et0_mm: Array, rain_mm: Array
) -> Allotment:
    """Who gets how much on the garden's first day.

    ``held_l``: litres above the outlet; ``depletion_mm`` (plants); ``et0_mm`` and ``rain_mm`` (members, days)
    from today on, whole and known. Whole doses or their useful part, never below a zone's floor. ValueError
    where shapes do not fit.
    """
    if et0_mm.shape != rain_mm.shape or et0_mm.shape[1] > len(garden.table.days):
        raise ValueError(
            f"weather of shapes {et0_mm.shape} and {rain_mm.shape} for {len(garden.table.days)} days"
        )
    ahead = coming(garden.table, et0_mm, rain_mm)
    middle = middle_of(garden.table, ahead, et0_mm)
    dose = zone_doses_l(garden, 0, depletion_mm[None], middle)[0]
    if not (dose > 0.0).any():
        return nothing_due(dose)
    return share_out(garden, held_l, unlimited_demand(garden, depletion_mm, rain_mm, ahead), dose)


def nothing_due(dose_l: Array) -> Allotment:
    """Of a day on which no zone is due, which needs no look at the weeks ahead."""
    unknown = np.full_like(dose_l, np.nan)
    return Allotment(np.zeros_like(dose_l), dose_l, unknown, unknown, unknown)


def unlimited_demand(garden: GardenAhead, depletion_mm: Array, rain_mm: Array, ahead: Coming) -> Demand:
    """Every zone served whenever it is due."""
    days, members, plants = ahead.use_mm.shape
    table = garden.table
    wants = np.zeros((days, members, len(garden.zone_ids)))
    root = np.broadcast_to(depletion_mm, (members, plants))
    for i in range(days):
        wants[i] = zone_doses_l(garden, i, root, ahead)
        water = table.net_mm(wants[i][:, garden.zone_rows] * garden.shares)
        root = next_mm(table, i, root, ahead, water)
    value, part_value = litre_values(garden, depletion_mm, ahead, PARTS)
    return Demand(wants, value, part_value, roof_catches_l(garden.roof, rain_mm))


def value_levels(demand: Demand) -> Array:
    """Falling levels of value, (levels), the greatest that of the dearest litre."""
    greatest = float(demand.value.max(initial=0.0))
    return np.asarray(greatest * np.geomspace(1.0, LEAST_LEVEL, LEVELS))


def drawn_l(demand: Demand, levels: Array) -> Array:
    """Litres of each day's doses of at least each (falling) level's value, (days, members, levels)."""
    days, members, _ = demand.zones_l.shape
    count = len(levels)
    # A dose counts from the first level on that is not above its value.
    first = np.searchsorted(-levels, -demand.value * (1.0 + 1e-12))
    at = first + (count + 1) * np.arange(days * members).reshape(days, members, 1)
    found = np.bincount(
        at.ravel(), weights=demand.zones_l.ravel(), minlength=days * members * (count + 1)
    ).reshape(days, members, count + 1)
    return np.asarray(np.cumsum(found[..., :count], axis=2))


def slack_l(garden: GardenAhead, held_l: float, demand: Demand, levels: Array) -> Array:
    """Litres that can be taken from the store today without a shortage, on any later day, of the doses of at
    least each level's value, (members, levels): the least of what stands over the floor and of what runs over
    or leaks away before. Today's own doses are left out.
    """
    days, members, _ = demand.zones_l.shape
    drawn = drawn_l(demand, levels)
    floor = float(garden.floors_l.min())
    held = np.full((members, len(levels)), min(held_l, garden.full_l))
    over = np.zeros_like(held)
    least = held - floor
    for i in range(days):
        if i:
            held = held - drawn[i]
            # A day without a draw misses nothing, however much has leaked by then.
            least = np.where(drawn[i] > 0.0, np.minimum(least, held - floor + over), least)
        # A leak takes what is there. From a store that it has emptied nothing taken today is missed later.
        leaks = np.minimum(garden.leak_l, np.maximum(held, 0.0))
        over = np.where((leaks > 0.0) & (leaks == held), np.inf, over)
        filled = held - leaks + demand.caught_l[:, i : i + 1]
        held = np.minimum(filled, garden.full_l)
        over = over + (filled - held)
    return least


def share_out(garden: GardenAhead, held_l: float, demand: Demand, dose_l: Array) -> Allotment:
    """The zones one after the other, the dearest litre first."""
    value, of_part = demand.value[0].mean(axis=0), demand.part_value.mean(axis=1)
    levels = value_levels(demand)
    slack = slack_l(garden, held_l, demand, levels)
    given, worth, missing = np.zeros_like(dose_l), np.full_like(dose_l, np.nan), np.full_like(dose_l, np.nan)
    for zone in np.argsort(-value, kind="stable"):
        if dose_l[zone] <= 0.0:
            continue
        taken = float(given.sum())
        free = held_l - taken - float(garden.floors_l[zone])
        for part, worth_it in zip(PARTS, of_part[:, zone], strict=True):
            litres = min(part * float(dose_l[zone]), free)
            if litres <= 0.0 or litres < LEAST_USEFUL_SHARE * dose_l[zone]:
                break
            worth[zone] = _worth(levels, slack - taken, litres)
            if worth_it >= worth[zone]:
                given[zone] = litres
                break
        if given[zone] == 0.0:
            missing[zone] = _missing_l(
                levels, slack - taken, float(dose_l[zone]), of_part[-1, zone], free, garden
            )
    return Allotment(given, dose_l, value, worth, missing)


def _worth(levels: Array, slack_l: Array, litres: float) -> float:
    """What so many stored litres are worth."""
    short = np.clip((litres - slack_l) / litres, 0.0, 1.0)
    return BELIEVED * float((short * levels).max(axis=1).mean())


def _missing_l(
    levels: Array, slack_l: Array, dose_l: float, value: float, free_l: float, garden: GardenAhead
) -> float:
    """Litres more in the store from which half a dose is given; inf where full barrels are not enough.

    As if none of them ran over: a little too few where rain is about to fill the barrels.
    """
    litres = LEAST_USEFUL_SHARE * dose_l
    low, high = max(0.0, litres - free_l), garden.full_l
    if value < _worth(levels, slack_l + high, litres):
        return float("inf")
    while high - low > STEP_L:
        middle = (low + high) / 2.0
        if value >= _worth(levels, slack_l + middle, litres):
            high = middle
        else:
            low = middle
    return high
