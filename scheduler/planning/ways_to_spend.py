"""Ways to spend a store that will not last, each with its consequences over the ways the weather may go.

Each way steps the garden through every member: by rank (each member at the least value of a litre that its
store carries, as rationing weighs it), to the first rank alone, or to all alike until the store is used up.
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
    most_mm,
    next_mm,
    rank_weights,
    zone_doses_l,
)
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead
from scheduler.planning.rationing import Demand, slack_l, unlimited_demand, value_levels

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A plant is at risk once it finds less than this share of what it would use ...
RISK_SHARE = 0.5
# ... in so many of the ways (both ours).
RISK_WAYS = 0.5


@dataclass(frozen=True, slots=True)
class PlantSpending:
    """One plant in the middle of the ways: litres wanted and given within the days looked at, the share of
    its use that it misses, and the day from which it is at risk (None: not within them)."""

    plant: str
    rank: int
    wanted_l: float
    given_l: float
    missed_share: float
    at_risk_from: date | None


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
    run = _Run(served, held_l, depletion_mm, ahead, demand.caught_l, _granted(garden, way, held_l, demand))
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


def _granted(garden: GardenAhead, way: Way, held_l: float, demand: Demand) -> Flags:
    """Which zones may be watered on which day, (days, members, zones)."""
    if way == "alike":
        return np.ones(demand.zones_l.shape, dtype=bool)
    if way == "first-rank":
        best = np.minimum.reduceat(garden.ranks, garden.first_rows) == garden.ranks.min()
        return np.broadcast_to(best, demand.zones_l.shape)
    levels = value_levels(demand)
    worthy = demand.value[0][..., None] >= levels
    today = np.where(worthy, demand.zones_l[0][..., None], 0.0).sum(axis=1)
    carried = slack_l(garden, held_l, demand, levels) - today >= 0.0
    # Falling levels: the last one carried is the least value that is served.
    least = np.where(carried, levels, np.inf).min(axis=1)
    return np.asarray(demand.value >= least[None, :, None])


class _Run:
    """Every member stepped through one way."""

    def __init__(
        self,
        garden: GardenAhead,
        held_l: float,
        depletion_mm: Array,
        ahead: Coming,
        caught_l: Array,
        granted: Flags,
    ) -> None:
        days, members, plants = ahead.use_mm.shape
        self.garden, self.ahead, self.caught_l, self.granted = garden, ahead, caught_l, granted
        self.held_l = np.full(members, min(held_l, garden.full_l))
        self.root = np.broadcast_to(depletion_mm, (members, plants))
        self.given_l, self.missed, self.use = (np.zeros((members, plants)) for _ in range(3))
        self.short_d = np.full(members, days, dtype=np.int64)
        self.risk_d = np.full((members, plants), days, dtype=np.int64)

    def day(self, i: int) -> None:
        garden, table, ahead = self.garden, self.garden.table, self.ahead
        dose = np.where(self.granted[i], zone_doses_l(garden, i, self.root, ahead), 0.0)
        given = np.zeros_like(dose)
        for zone in range(dose.shape[1]):
            free = np.maximum(0.0, self.held_l - given.sum(axis=1) - garden.floors_l[zone])
            fits = np.minimum(dose[:, zone], free)
            given[:, zone] = np.where(fits >= LEAST_USEFUL_SHARE * dose[:, zone], fits, 0.0)
        short = (given < dose - LEAST_L).any(axis=1) & (self.short_d == len(ahead.use_mm))
        self.short_d[short] = i
        self.held_l = np.minimum(self.held_l - given.sum(axis=1) + self.caught_l[:, i], garden.full_l)
        litres = given[:, garden.zone_rows] * garden.shares
        self._stress(i)
        self.root = next_mm(table, i, self.root, ahead, table.net_mm(litres))
        self.given_l = self.given_l + litres

    def _stress(self, i: int) -> None:
        table, use = self.garden.table, self.ahead.use_mm[i]
        most = most_mm(table, i)
        found = np.clip((most - self.root) / np.maximum(most - self.ahead.raw_mm[i], 1e-12), 0.0, 1.0)
        risk = (found < RISK_SHARE) & ~table.by_age[i] & (self.risk_d == len(self.ahead.use_mm))
        self.risk_d[risk] = i
        self.missed = self.missed + np.where(table.by_age[i], 0.0, (1.0 - found) * use)
        self.use = self.use + use

    def plants(self, garden: GardenAhead, first: date) -> tuple[PlantSpending, ...]:
        days = len(self.ahead.use_mm)
        risk = np.quantile(self.risk_d, RISK_WAYS, axis=0, method="inverted_cdf")
        rain = self.ahead.rain_mm.sum(axis=0)
        wanted = garden.table.gross_l(np.maximum(0.0, self.use - rain))
        return tuple(
            PlantSpending(
                plant=plant.id,
                rank=int(garden.ranks[row]),
                wanted_l=float(np.median(wanted[:, row])),
                given_l=float(np.median(self.given_l[:, row])),
                missed_share=float(np.median(self.missed[:, row] / np.maximum(self.use[:, row], 1e-9))),
                at_risk_from=first + timedelta(days=int(risk[row])) if risk[row] < days else None,
            )
            for row, plant in enumerate(garden.table.plants)
        )


def _last_day(short_d: NDArray[np.int64], days: int, first: date) -> date | None:
    middle = int(np.quantile(short_d, 0.5, method="inverted_cdf"))
    return first + timedelta(days=middle - 1) if middle < days else None


def by_name(spendings: Sequence[Spending], way: Way) -> Spending:
    """The one of that name."""
    return next(s for s in spendings if s.way == way)
