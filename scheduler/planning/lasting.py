"""How many days the store lasts: the one figure of plans, messages, status and pages.

With every zone served whenever it is due, in every way the weather may go; ``trajectories`` steps the same
garden the same way and keeps all of it (a test holds the two together).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.doses import UseAhead, next_mm
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead, least_scales_l, wants_of_day_l
from scheduler.planning.plan import StoreOutlook
from scheduler.planning.root_zones import due_now
from scheduler.planning.trajectories import LATE, days_left
from scheduler.supply.storage import roof_catches_l

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lasting:
    """Whole days from ``day`` on that can be watered: early, middle and late; None: beyond ``looked_d``."""

    day: date
    days_left: tuple[int | None, int | None, int | None]
    looked_d: int

    def of(self, store: StoreOutlook) -> StoreOutlook:
        """The outlook with these days."""
        early, middle, late = self.days_left
        return replace(
            store,
            days_left_early=early,
            days_left_middle=middle,
            days_left_late=late,
            horizon_days=self.looked_d,
        )


def lasting(
    garden: GardenAhead, held_l: float, depletion_mm: Array, rain_mm: Array, ahead: UseAhead
) -> Lasting:
    """From the garden's first day on. ``rain_mm`` (members, days) is that of ``ahead``."""
    days, members, _ = ahead.use_mm.shape
    garden, ahead = _written_out(garden, ahead)
    table, caught = garden.table, roof_catches_l(garden.roof, rain_mm)
    held, short = np.full(members, min(held_l, garden.full_l)), np.full(members, days, dtype=np.int64)
    root = np.broadcast_to(depletion_mm, ahead.use_mm.shape[1:])
    if not garden.zone_ids:
        return Lasting(table.days[0], days_left(short, days), days)
    served, least_scale_l = garden.shares > 0.0, least_scales_l(table.gross_l(ahead.raw_mm))
    floors_l, zone_rows = garden.floors_l - LEAST_L, garden.zone_rows
    enough = ceil(LATE * members)  # once so many are short, the others change none of the three days
    with np.errstate(divide="ignore", invalid="ignore"):
        for i in range(days):
            due = due_now(table, i, root, ahead.use_mm[i], ahead.raw_mm[i])
            wants = wants_of_day_l(garden, served, table.gross_l(root), due, least_scale_l[i])
            drawn = np.add.accumulate(wants, axis=1)
            over = (drawn > held[:, None] - floors_l) & (wants > LEAST_L)
            if np.count_nonzero(over):
                short[over.any(axis=1) & (short == days)] = i
                if np.count_nonzero(short < days) >= enough:
                    break
            held = held - drawn[:, -1] - garden.leak_l
            held = np.minimum(np.maximum(held, 0.0) + caught[:, i], garden.full_l)
            water = table.net_mm(wants.take(zone_rows, axis=1) * garden.shares)
            root = next_mm(table, i, root, ahead, water)
    return Lasting(table.days[0], days_left(short, days), days)


def _written_out(garden: GardenAhead, ahead: UseAhead) -> tuple[GardenAhead, UseAhead]:
    """What holds for every member, written out once for each: to bring a short row to fifty members each day
    takes NumPy several times as long as to work on as many whole rows."""
    shape, table = ahead.use_mm.shape, garden.table

    def for_each(row: NDArray[Any]) -> NDArray[Any]:
        return np.ascontiguousarray(np.broadcast_to(row, shape[1:]))

    table = replace(
        table,
        canopy_m2=for_each(table.canopy_m2),
        taw_mm=for_each(table.taw_mm),
        container=for_each(table.container),
    )
    if not any(table.some_by_age):  # then the same on every day
        ahead = replace(ahead, most_mm=np.broadcast_to(table.taw_mm, shape))
    return replace(garden, table=table, shares=for_each(garden.shares)), ahead
