"""The dose of a zone while water is short: when it is due, how deep it goes, what a litre of it is worth.

A zone that is watered gets a whole dose when it falls due and none otherwise: deep and rarely, or not at all.
A dose is never more than a usual one, so that nothing a plant has lost is repaid in one flood; it leaves room
for the rain of the coming week, waits for rain that is nearly sure, and gives no plant of the first rank in
the zone much more than its soil takes.

What a litre is worth falls towards the end of the season, or towards the rain that ends a spell: a plant that
is short draws on its soil at a rate that falls as the soil dries (FAO-56 Eq 84), so of a mm given it uses
1 - exp(-N / S) by then, N what it would use without stress until then, S = TAW - RAW; the rest stays behind
in the soil. Hence the last dose is cut before the first of a lesser zone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.rootzone import SMALL_RAIN_SHARE
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead
from scheduler.planning.root_zones import due_now, readily_mm, use_mm

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What a plant of one rank weighs against one of the next (ours).
RANK_RATIO = 4.0
# Below this share of a usual dose a plant is better watered deep and rarely (trade practice; the value is
# ours, that of ``watering.LEAST_USEFUL_SHARE``).
LEAST_USEFUL_SHARE = 0.5
# Room is left for the mean rain of so many days (ours).
ROOM_D = 7
# A dose waits for the rain of so many days ...
NEAR_D = 2
# ... that so large a share of the ways bring at least ...
SURE = 0.7
# ... where it is worth this share of what is missing, and no plant is further behind than this times what is
# readily available (both ours, those of ``watering``).
PUT_OFF_SHARE = 0.5
OVERDUE_LIMIT = 1.2
# A plant in the ground is due once tomorrow's use would take it past readily available water (days; ours).
DUE_AHEAD_D = 1.0
# How far beyond what its soil takes by tonight a plant may be watered for another's sake (ours: 0.1 and
# 0.2 were no better on Seattle's 2013 and 2014).
OVER_SCARCE = 0.0
# Stands for no rank: lower than any.
UNRANKED = 10**6


@dataclass(frozen=True, slots=True, eq=False)
class Coming:
    """What the ways of the weather bring from each day on, in mm."""

    need_mm: Array  # (days, members, plants): what a plant uses before rain makes it good or the end comes
    week_mm: Array  # (days): mean rain of the day and those after it, ``ROOM_D`` in all
    sure_mm: Array  # (days): rain of the next ``NEAR_D`` days that is nearly sure


def coming(garden: GardenAhead, et0_mm: Array, rain_mm: Array) -> Coming:
    """From ET0 and rain (members, days), the first day being the garden's first."""
    return Coming(
        needs_to_come_mm(garden, et0_mm, rain_mm),
        np.asarray(_sums(rain_mm, ROOM_D).mean(axis=0)),
        np.asarray(np.quantile(_sums(rain_mm, NEAR_D), 1.0 - SURE, axis=0)),
    )


def rank_weights(garden: GardenAhead) -> Array:
    """What stress of each plant counts: 1 for rank 1, less by ``RANK_RATIO`` with each rank, (plants)."""
    return np.asarray(RANK_RATIO ** (1.0 - garden.ranks))


def needs_to_come_mm(garden: GardenAhead, et0_mm: Array, rain_mm: Array) -> Array:
    """What each plant still uses before rain makes it good or the end comes, (days, members, plants)."""
    days = et0_mm.shape[1]
    use = np.stack([use_mm(garden.table, i, et0_mm[:, i]) for i in range(days)])
    rain = np.where(rain_mm >= SMALL_RAIN_SHARE * et0_mm, rain_mm, 0.0).T[:, :, None]
    need = use - rain
    for i in range(days - 2, -1, -1):
        need[i] += np.maximum(0.0, need[i + 1])
    return np.asarray(need)


def _sums(rain_mm: Array, days: int) -> Array:
    """Rain of each day and those after it, ``days`` in all, (members, days)."""
    ahead = np.concatenate([np.zeros((len(rain_mm), 1)), np.cumsum(rain_mm, axis=1)], axis=1)
    last = np.minimum(np.arange(rain_mm.shape[1]) + days, rain_mm.shape[1])
    return np.asarray(ahead[:, last] - ahead[:, :-1])


def zone_doses_l(garden: GardenAhead, i: int, root_mm: Array, et0_mm: Array, ahead: Coming) -> Array:
    """Litres of each zone's run if it is served on day ``i``, (members, zones); 0 where none of it is due.

    ``root_mm`` (members, plants): depletions that morning; ``et0_mm`` (members): the day's.
    """
    table = garden.table
    etc = use_mm(table, i, et0_mm)
    raw = readily_mm(table, i, etc)
    due = np.where(table.by_age[i], due_now(table, i, root_mm, etc, raw), root_mm + DUE_AHEAD_D * etc >= raw)
    waits = ahead.sure_mm[i] >= PUT_OFF_SHARE * (root_mm + etc)
    due = due & ~(waits & (root_mm < OVERDUE_LIMIT * raw))
    least = np.maximum(LEAST_USEFUL_SHARE * raw, etc)
    want = np.minimum(np.maximum(root_mm - ahead.week_mm[i], least), np.minimum(root_mm, raw))
    want = np.minimum(want, np.maximum(0.0, root_mm + ahead.need_mm[i] - raw))
    room = table.gross_l(root_mm + etc)
    return _covering_l(garden, table.gross_l(np.maximum(0.0, want)), room, due)


def _covering_l(garden: GardenAhead, want_l: Array, room_l: Array, due: Flags) -> Array:
    """Each zone's litres that cover the wants of its best-ranked plants that are due, (members, zones).

    No plant of their rank in the zone gets more than ``OVER_SCARCE`` beyond ``room_l``, what its soil takes
    by tonight; where that leaves less than the least useful share of the wants, the zone waits.
    """
    served = garden.shares > 0.0
    asks = due & (want_l >= LEAST_L) & served
    best = np.minimum.reduceat(np.where(asks, garden.ranks, UNRANKED), garden.first_rows, axis=1)
    alike = served & (garden.ranks == best[:, garden.zone_rows])
    share = np.maximum(garden.shares, 1e-9)
    most = np.maximum.reduceat(np.where(alike & asks, want_l / share, 0.0), garden.first_rows, axis=1)
    room = np.minimum.reduceat(np.where(alike, room_l / share, np.inf), garden.first_rows, axis=1)
    litres = np.minimum(most, (1.0 + OVER_SCARCE) * room)
    return np.where((most > 0.0) & (litres >= LEAST_USEFUL_SHARE * most), litres, 0.0)


def litre_values(garden: GardenAhead, et0_mm: Array, ahead: Coming) -> Array:
    """What a litre to each zone on each day is worth, (days, members, zones): by how much it lessens the
    stress (1 - ETa/ETc of the days ahead, FAO-56 Eq 90) of its plants, each counted by its rank."""
    table, days = garden.table, et0_mm.shape[1]
    use = np.stack([use_mm(table, i, et0_mm[:, i]) for i in range(days)])
    mean = np.maximum(use.mean(axis=(0, 1)), 1e-9)
    raw = readily_mm(table, 0, mean[None])[0]
    spare = np.maximum(table.taw_mm - raw, 1e-9)
    used = 1.0 - np.exp(-np.maximum(0.0, ahead.need_mm) / spare)
    per_litre = rank_weights(garden) * table.net_mm(garden.shares) / (mean * days)
    return np.asarray(np.add.reduceat(used * per_litre, garden.first_rows, axis=2))
