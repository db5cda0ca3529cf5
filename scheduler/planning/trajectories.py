"""How long the store lasts: the garden and its store stepped day by day through many ways of the weather.

Demand is what the garden would draw if the store never ended: each plant's root zone is carried on, a zone
runs when one of its plants falls due, as the daily plan does. Rain that finds the barrels full is lost and
counted. *Days left* n: n whole days can be watered in full; the day after, some zone gets less than it wants.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.garden_ahead import LEAST_L, GardenAhead, zone_wants_l
from scheduler.planning.root_zones import due_now, readily_mm, use_mm, zones_day
from scheduler.supply.storage import draw_then_catch, roof_catches_l

Array = NDArray[np.float64]
Days = NDArray[np.int64]

# Early, middle and late day: so many of a hundred ways have run out by then.
EARLY, MIDDLE, LATE = 0.10, 0.50, 0.90


@dataclass(frozen=True, slots=True, eq=False)
class Trajectories:
    """The store through every member, litres. Days are counted from 0, the first day of the weather.

    ``held_l`` (members, days + 1) begins with the start; the rest is (members, days). ``days_left`` and
    ``zone_days_left`` hold the number of days where a member does not run out within them.
    """

    held_l: Array
    wanted_l: Array
    given_l: Array
    caught_l: Array
    overflow_l: Array
    days_left: Days  # (members)
    zone_days_left: Days  # (members, zones)
    zone_given_l: Array  # (members, days, zones)
    depletion_mm: Array  # (members, plants) after the last day

    @property
    def horizon_days(self) -> int:
        return int(self.wanted_l.shape[1])

    def chance_out_by(self, day: int) -> float:
        """Share of the members that have run out before or on that day."""
        return float(np.mean(self.days_left <= day))


def store_trajectories(
    garden: GardenAhead,
    held_l: float | Array,
    depletion_mm: Array,
    et0_mm: Array,
    rain_mm: Array,
    added_l: Array | None = None,
) -> Trajectories:
    """Every member stepped through the garden's days.

    ``et0_mm`` and ``rain_mm`` (members, days) from the first day of ``garden.table.days``; ``held_l``: litres
    above the outlet that first morning, one figure or one by member (for a level that is not known exactly);
    ``depletion_mm`` (plants), as ``garden.start`` gives it; ``added_l`` (days): litres that somebody tops up
    in the evening of each day, as far as they fit. ValueError where shapes do not fit.
    """
    members, days = et0_mm.shape
    if rain_mm.shape != et0_mm.shape or days > len(garden.table.days):
        raise ValueError(
            f"weather of shapes {et0_mm.shape} and {rain_mm.shape} for {len(garden.table.days)} days"
        )
    table, zones = garden.table, len(garden.zone_ids)
    caught = roof_catches_l(garden.roof, rain_mm)
    filled = caught if added_l is None else caught + added_l
    held = np.empty((members, days + 1))
    held[:, 0] = np.minimum(held_l, garden.full_l)
    wanted, given, over = (np.zeros((members, days)) for _ in range(3))
    zone_left = np.full((members, zones), days, dtype=np.int64)
    zone_given = np.zeros((members, days, zones))
    root = np.broadcast_to(depletion_mm, (members, len(table.plants)))
    for i in range(days):
        etc = use_mm(table, i, et0_mm[:, i])
        raw = readily_mm(table, i, etc)
        due = due_now(table, i, root, etc, raw)
        wants = zone_wants_l(garden, table.gross_l(root), due, table.gross_l(raw))
        day = draw_then_catch(held[:, i], wants, garden.floors_l, filled[:, i], garden.full_l, garden.leak_l)
        held[:, i + 1], over[:, i] = day.held_l, day.overflow_l
        wanted[:, i], given[:, i] = wants.sum(axis=1), day.given_l.sum(axis=1)
        zone_given[:, i] = day.given_l
        short = (day.given_l < wants - LEAST_L) & (zone_left == days)
        zone_left[short] = i
        # Without a shortage: the plants get what they want, whatever the store gave.
        water = table.net_mm(wants[:, garden.zone_rows] * garden.shares)
        root = zones_day(table, i, root, et0_mm[:, i], rain_mm[:, i], water).depletion_mm
    left = zone_left.min(axis=1) if zones else np.full(members, days, dtype=np.int64)
    return Trajectories(held, wanted, given, caught, over, left, zone_left, zone_given, np.asarray(root))


def days_left(left: Days, horizon_days: int) -> tuple[int | None, int | None, int | None]:
    """The early, middle and late day of the members; None: beyond the horizon."""
    ends = np.quantile(left, (EARLY, MIDDLE, LATE), method="inverted_cdf")
    early, middle, late = (int(x) if x < horizon_days else None for x in ends)
    return early, middle, late
