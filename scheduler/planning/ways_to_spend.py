"""Ways to spend a store that will not last, each with its consequences over the ways the weather may go.

Each way steps the garden through every member: by rank (a zone is watered from what stands over the later
doses that are worth more, as rationing weighs it, each member knowing its own weather: a little better than
life), to the first rank alone, or to all alike until the store is used up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.choices import WAYS, Way
from scheduler.planning.doses import (
    LEAST_USEFUL_SHARE,
    Coming,
    coming,
    next_mm,
    rank_weights,
    zone_doses_l,
)
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead
from scheduler.planning.rationing import BELIEVED, Demand, unlimited_demand, value_levels

Array = NDArray[np.float64]

# A plant is at risk once it finds less than this share of what it would use (a young one: once it is owed a
# dose and a half) ...
RISK_SHARE = 0.5
# ... in so many of the ways (both ours).
RISK_WAYS = 0.5


@dataclass(frozen=True, slots=True)
class PlantSpending:
    """One plant in the middle of the ways: litres wanted and given within the days looked at, the share of
    its use that it misses, and the day from which it is at risk (None: not within them). ``from_soil_l``:
    what the soil lacks more at their end than today; below 0 it was filled."""

    plant: str
    rank: int
    wanted_l: float
    given_l: float
    missed_share: float
    at_risk_from: date | None
    from_soil_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Spending:
    """``last_day``: the last one on which everything that this way gives can be given, in the middle of the
    ways; None: it can to the end of the days looked at. ``stress``: of all plants, weighted by rank."""

    way: Way
    plants: tuple[PlantSpending, ...]
    given_l: float
    left_l: float
    last_day: date | None
    stress: float


def ways_to_spend(
    garden: GardenAhead, held_l: float, depletion_mm: Array, et0_mm: Array, rain_mm: Array
) -> tuple[Spending, ...]:
    """Every way, the default first. Shapes as for ``rationing.allotted``."""
    ahead = coming(garden.table, et0_mm, rain_mm)
    demand = unlimited_demand(garden, depletion_mm, rain_mm, ahead)
    return tuple(_spent(garden, way, held_l, depletion_mm, ahead, demand) for way in WAYS)


def _spent(
    garden: GardenAhead, way: Way, held_l: float, depletion_mm: Array, ahead: Coming, demand: Demand
) -> Spending:
    served = garden if way != "alike" else replace(garden, ranks=np.ones_like(garden.ranks))
    run = _Run(served, held_l, depletion_mm, ahead, demand.caught_l, _kept_for_dearer_l(garden, way, demand))
    for i in range(len(ahead.use_mm)):
        run.day(i)
    first = garden.table.days[0]
    return Spending(
        way=way,
        plants=run.plants(garden, first),
        given_l=float(np.median(run.given_l.sum(axis=1))),
        left_l=float(np.median(run.held_l)),
        last_day=_last_day(run.short_d, len(ahead.use_mm), first),
        stress=float(np.median((run.missed / np.maximum(run.use, 1e-9)) @ rank_weights(garden))),
    )


def _kept_for_dearer_l(garden: GardenAhead, way: Way, demand: Demand) -> Array:
    """What must stay over the floor when a zone is watered, (days, members, zones): later doses worth more,
    as far as rain does not bring them by then. inf: the zone is not watered at all."""
    shape = demand.zones_l.shape
    if way == "alike":
        return np.zeros(shape)
    if way == "first-rank":
        best = garden.zone_ranks == garden.zone_ranks.min()
        return np.broadcast_to(np.where(best, 0.0, np.inf), shape)
    levels = value_levels(demand)
    later = np.zeros((shape[1], len(levels) + 1))
    kept = np.empty(shape)
    for i in range(shape[0] - 1, -1, -1):
        dearer = (BELIEVED * levels > demand.value[i][..., None]).sum(axis=-1)
        kept[i] = np.take_along_axis(later, dearer, axis=1)
        worthy = demand.value[i][..., None] >= levels
        drawn = np.where(worthy, demand.zones_l[i][..., None], 0.0).sum(axis=1)
        later[:, 1:] = later[:, 1:] + drawn
        if i:
            leaks = np.where(later > 0.0, garden.leak_l, 0.0)  # as long as something waits for the water
            later = np.maximum(0.0, later + leaks - demand.caught_l[:, i - 1 : i])
    return kept


class _Run:
    """Every member stepped through one way."""

    def __init__(
        self,
        garden: GardenAhead,
        held_l: float,
        depletion_mm: Array,
        ahead: Coming,
        caught_l: Array,
        kept_l: Array,
    ) -> None:
        days, members, plants = ahead.use_mm.shape
        self.garden, self.ahead, self.caught_l, self.kept_l = garden, ahead, caught_l, kept_l
        self.held_l = np.full(members, min(held_l, garden.full_l))
        self.root = self.first_root = np.broadcast_to(depletion_mm, (members, plants))
        self.given_l, self.missed, self.use = (np.zeros((members, plants)) for _ in range(3))
        self.short_d = np.full(members, days, dtype=np.int64)
        self.risk_d = np.full((members, plants), days, dtype=np.int64)

    def day(self, i: int) -> None:
        garden, table, ahead = self.garden, self.garden.table, self.ahead
        dose = zone_doses_l(garden, i, self.root, ahead)
        dose = np.where(np.isfinite(self.kept_l[i]), dose, 0.0)
        given, left_l = np.zeros_like(dose), self.held_l
        for zone in np.flatnonzero(dose.any(axis=0)):
            wanted = dose[:, zone]
            free = left_l - garden.floors_l[zone]
            fits = np.minimum(wanted, np.maximum(0.0, free - self.kept_l[i, :, zone]))
            given[:, zone] = served = np.where(fits >= LEAST_USEFUL_SHARE * wanted, fits, 0.0)
            left_l = left_l - served
        refused = (given < dose - LEAST_L) & (self.kept_l[i] <= 0.0)
        short = refused.any(axis=1) & (self.short_d == len(ahead.use_mm))
        self.short_d[short] = i
        left_l = np.maximum(left_l - garden.leak_l, 0.0)
        self.held_l = np.minimum(left_l + self.caught_l[:, i], garden.full_l)
        litres = given[:, garden.zone_rows] * garden.shares
        self._stress(i)
        self.root = next_mm(table, i, self.root, ahead, table.net_mm(litres))
        self.given_l = self.given_l + litres

    def _stress(self, i: int) -> None:
        use, most = self.ahead.use_mm[i], self.ahead.most_mm[i]
        found = np.clip((most - self.root) / np.maximum(most - self.ahead.raw_mm[i], 1e-12), 0.0, 1.0)
        risk = (found < RISK_SHARE) & (self.risk_d == len(self.ahead.use_mm))
        self.risk_d[risk] = i
        self.missed = self.missed + (1.0 - found) * use
        self.use = self.use + use

    def plants(self, garden: GardenAhead, first: date) -> tuple[PlantSpending, ...]:
        days = len(self.ahead.use_mm)
        risk = np.quantile(self.risk_d, RISK_WAYS, axis=0, method="inverted_cdf")
        rain = self.ahead.rain_mm.sum(axis=0)
        gross = garden.table.gross_l
        wanted, given, missed, from_soil = (
            np.median(x, axis=0)
            for x in (
                gross(np.maximum(0.0, self.use - rain)),
                self.given_l,
                self.missed / np.maximum(self.use, 1e-9),
                gross(self.root - self.first_root),
            )
        )
        return tuple(
            PlantSpending(
                plant=plant.id,
                rank=int(garden.ranks[row]),
                wanted_l=float(wanted[row]),
                given_l=float(given[row]),
                missed_share=float(missed[row]),
                at_risk_from=first + timedelta(days=int(risk[row])) if risk[row] < days else None,
                from_soil_l=float(from_soil[row]),
            )
            for row, plant in enumerate(garden.table.plants)
        )


def _last_day(short_d: NDArray[np.int64], days: int, first: date) -> date | None:
    middle = int(np.quantile(short_d, 0.5, method="inverted_cdf"))
    return first + timedelta(days=middle - 1) if middle < days else None


def by_name(spendings: Sequence[Spending], way: Way) -> Spending:
    """The one of that name."""
    return next(s for s in spendings if s.way == way)
