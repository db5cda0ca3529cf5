"""The dose of a zone while water is short: when it is due, how deep it goes, what a litre of it is worth.

A zone that is watered gets a whole dose when it falls due and none otherwise: deep and rarely, or not at all.
A dose is never more than a usual one, so that nothing a plant has lost is repaid in one flood; it leaves room
for the rain of the coming week, waits for rain that is nearly sure, and gives no plant of the first rank in
the zone much more than its soil takes.

What a litre is worth: left without water, a plant draws on its soil at a rate that falls as the soil dries
(FAO-56 Eq 84). Of a mm that it gets it uses, by the day on which rain fills its soil or the end comes, all
but exp(-N / S): N what it would have used without stress on the days on which it stands short, S = TAW - RAW;
the rest stays behind in the soil, or is lost when rain fills it. So a litre is worth less towards the end of
the season and before the rain that ends a spell, and the last dose is cut before the first of a lesser zone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy import young
from scheduler.agronomy.coefficients import kind_of
from scheduler.agronomy.rootzone import P_MAX, P_MIN, P_PER_MM, P_TABLE_ETC_MM, SMALL_RAIN_SHARE
from scheduler.planning.garden_ahead import LEAST_L, UNRANKED, GardenAhead
from scheduler.planning.root_zones import PlantTable, due_now
from scheduler.site.model import Plant

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What a plant of one rank weighs against one of the next (ours).
RANK_RATIO = 4.0
# A better rank goes first as long as so much less of its litre would be used (ours: half of it).
RANK_CLEAR = 2.0
# Within a rank: trees and shrubs, and other plants that live for years, against those of one season. Less
# than ``RANK_RATIO``, so that no dearness outweighs a rank (ours).
DEAR_WOODY, DEAR_PERENNIAL = 2.0, 1.4
# Below this share of its dose a plant is better watered deep and rarely (trade practice; the value is
# ours, that of ``watering.LEAST_USEFUL_SHARE``).
LEAST_USEFUL_SHARE = 0.5
# While water is short a dose refills this share of what is readily available, that of a young plant all: less
# is lost when rain comes after all (ours; 0.5 to 0.6 was better than 1 on Seattle's 2013 and 2014).
SCARCE_DOSE = 0.6
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
# A plant that gets less of its zone's water than another of its rank falls behind with every dose. While it
# would stand short tonight it is brought this share of what is readily available above that line ...
CAUGHT_UP_SHARE = 0.2
# ... though the soil of others gets so much more than it takes by tonight (both ours).
OVER_SCARCE = 0.5
# Keeps from dividing by nothing.
LEAST_MM = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class UseAhead:
    """What the balance of the roots takes from the ways of the weather on each day, in mm; (days, members,
    plants) where not said."""

    use_mm: Array  # ETc without stress
    raw_mm: Array  # readily available at that use
    spare_mm: Array  # what lies beyond it; never nothing
    most_mm: Array  # (days, 1, plants): the most that a root zone can lack
    rain_mm: Array  # (days, members, 1): rain that counts


@dataclass(frozen=True, slots=True, eq=False)
class Coming(UseAhead):
    """The same with what doses go by while water is short."""

    need_mm: Array  # what a plant uses from that day on before rain makes it good or the end comes
    week_mm: Array  # (days): mean rain of the day and those after it, ``ROOM_D`` in all
    sure_mm: Array  # (days): rain of the next ``NEAR_D`` days that is nearly sure


def use_ahead(table: PlantTable, et0_mm: Array, rain_mm: Array) -> UseAhead:
    """From ET0 and rain (members, days), the first day being the table's first."""
    days = et0_mm.shape[1]
    use, by_age = table.coefficient[:days, None, :] * et0_mm.T[:, :, None], table.by_age[:days, None, :]
    some_by_age = any(table.some_by_age[:days])
    if some_by_age:
        use = np.where(by_age, table.daily_dose_mm[:days, None, :], use)
    p = np.clip(table.p_table + P_PER_MM * (P_TABLE_ETC_MM - use), P_MIN, P_MAX)
    raw = p * table.taw_mm
    if some_by_age:
        raw = np.where(by_age, table.dose_mm, raw)
    rain = np.where(rain_mm >= SMALL_RAIN_SHARE * et0_mm, rain_mm, 0.0).T[:, :, None]
    most = np.where(table.by_age[:days], young.DOSES_OWED_MAX * table.dose_mm, table.taw_mm)[:, None, :]
    return UseAhead(use, raw, np.maximum(most - raw, 1e-12), most, rain)


def coming(table: PlantTable, et0_mm: Array, rain_mm: Array) -> Coming:
    """As ``use_ahead``, and what doses go by."""
    return with_needs(use_ahead(table, et0_mm, rain_mm), rain_mm)


def with_needs(ahead: UseAhead, rain_mm: Array) -> Coming:
    """What doses go by beside the use. ``rain_mm`` (members, days): that which ``ahead`` is made from."""
    return Coming(
        ahead.use_mm,
        ahead.raw_mm,
        ahead.spare_mm,
        ahead.most_mm,
        ahead.rain_mm,
        _needs_to_come_mm(ahead.use_mm, ahead.rain_mm),
        np.asarray(_sums(rain_mm, ROOM_D).mean(axis=0)),
        np.asarray(np.quantile(_sums(rain_mm, NEAR_D), 1.0 - SURE, axis=0)),
    )


def middle_of(table: PlantTable, ahead: Coming, et0_mm: Array) -> Coming:
    """The first day of the mean way."""
    first = coming(table, et0_mm[:, :1].mean(axis=0, keepdims=True), np.zeros((1, 1)))
    need = ahead.need_mm[:1].mean(axis=1, keepdims=True)
    return replace(first, need_mm=need, week_mm=ahead.week_mm, sure_mm=ahead.sure_mm)


def rank_weights(garden: GardenAhead) -> Array:
    """What stress of each plant counts: 1 for rank 1, less by ``RANK_RATIO`` with each rank, (plants)."""
    return np.asarray(RANK_RATIO ** (1.0 - garden.ranks))


def plant_weights(garden: GardenAhead) -> Array:
    """The weights of the ranks, and within a rank more for what is dearer to replace, (plants)."""
    return np.asarray(rank_weights(garden) * [_dearness(p) for p in garden.table.plants])


def _dearness(plant: Plant) -> float:
    kind = kind_of(plant)
    if kind.young_woody or plant.trunk_diameter_m is not None:
        return DEAR_WOODY
    return 1.0 if kind.method == "crop" and kind.stages_d is not None else DEAR_PERENNIAL


def _needs_to_come_mm(use_mm: Array, rain_mm: Array) -> Array:
    need = use_mm - rain_mm
    later = np.zeros(need.shape[1:])
    for of_day in need[::-1]:
        of_day += later
        np.maximum(0.0, of_day, out=later)
    return np.asarray(need)


def _sums(rain_mm: Array, days: int) -> Array:
    """Rain of each day and those after it, ``days`` in all, (members, days)."""
    ahead = np.concatenate([np.zeros((len(rain_mm), 1)), np.cumsum(rain_mm, axis=1)], axis=1)
    last = np.minimum(np.arange(rain_mm.shape[1]) + days, rain_mm.shape[1])
    return np.asarray(ahead[:, last] - ahead[:, :-1])


def zone_doses_l(garden: GardenAhead, i: int, root_mm: Array, ahead: Coming) -> Array:
    """Litres of each zone's run if it is served on day ``i``, (members, zones); 0 where none of it is due.

    ``root_mm`` (members, plants): depletions that morning.
    """
    table, etc, raw = garden.table, ahead.use_mm[i], ahead.raw_mm[i]
    due, waits = due_and_waiting(table, i, root_mm, ahead)
    want = wants_mm(table, i, root_mm, ahead)
    tonight = root_mm + etc
    behind = np.minimum(want, tonight - (1.0 - CAUGHT_UP_SHARE) * raw)
    gross = table.gross_l
    return _covering_l(garden, gross(want), gross(behind), gross(tonight), due & ~waits)


def due_and_waiting(table: PlantTable, i: int, root_mm: Array, ahead: Coming) -> tuple[Flags, Flags]:
    """Which plants are due on day ``i``, and which would wait for rain that is nearly sure if they were,
    (members, plants)."""
    etc, raw = ahead.use_mm[i], ahead.raw_mm[i]
    due = root_mm + DUE_AHEAD_D * etc >= raw
    if table.some_by_age[i]:
        due = np.where(table.by_age[i], due_now(table, i, root_mm, etc, raw), due)
    waits = ahead.sure_mm[i] >= PUT_OFF_SHARE * (root_mm + etc)
    return due, waits & (root_mm < OVERDUE_LIMIT * raw)


def wants_mm(table: PlantTable, i: int, root_mm: Array, ahead: Coming) -> Array:
    """The dose that each plant would take on day ``i``, (members, plants)."""
    etc, raw = ahead.use_mm[i], ahead.raw_mm[i]
    least = np.maximum(LEAST_USEFUL_SHARE * raw, etc)
    most = np.where(table.by_age[i], raw, np.maximum(SCARCE_DOSE * raw, etc))
    want = np.minimum(np.maximum(root_mm - ahead.week_mm[i], least), np.minimum(root_mm, most))
    want = np.minimum(want, np.maximum(0.0, root_mm + ahead.need_mm[i] - raw))
    return np.asarray(np.maximum(0.0, want))


def _covering_l(garden: GardenAhead, want_l: Array, behind_l: Array, room_l: Array, due: Flags) -> Array:
    """Each zone's litres that cover the wants of its best-ranked plants that are due, (members, zones).

    No plant of their rank in the zone gets more than ``room_l``, what its soil takes by tonight, unless that
    leaves one of them ``behind_l``: then up to ``OVER_SCARCE`` more. Where less than the least useful share
    of the wants is left, the zone waits.
    """
    served = garden.shares > 0.0
    asks = due & (want_l >= LEAST_L) & served
    best = np.minimum.reduceat(np.where(asks, garden.ranks, UNRANKED), garden.first_rows, axis=1)
    alike = served & (garden.ranks == best[:, garden.zone_rows])
    share = np.maximum(garden.shares, 1e-9)
    most = np.maximum.reduceat(np.where(alike & asks, want_l / share, 0.0), garden.first_rows, axis=1)
    behind = np.maximum.reduceat(np.where(alike & asks, behind_l / share, 0.0), garden.first_rows, axis=1)
    room = np.minimum.reduceat(np.where(alike, room_l / share, np.inf), garden.first_rows, axis=1)
    litres = np.minimum(most, np.maximum(room, np.minimum(behind, (1.0 + OVER_SCARCE) * room)))
    return np.where((most > 0.0) & (litres >= LEAST_USEFUL_SHARE * most), litres, 0.0)


def next_mm(table: PlantTable, i: int, root_mm: Array, ahead: UseAhead, water_mm: Array) -> Array:
    """The depletions after day ``i``: those of ``root_zones.zones_day`` (a test holds them together)."""
    most, etc = ahead.most_mm[i], ahead.use_mm[i]
    start = np.minimum(np.maximum(root_mm, 0.0), most)
    share = (most - start) / ahead.spare_mm[i]
    used = etc * np.minimum(np.maximum(share, 0.0), 1.0)
    if table.some_by_age[i]:
        used = np.where(table.by_age[i], etc, used)
    left = np.maximum(0.0, start + used - ahead.rain_mm[i])
    return np.asarray(np.minimum(most, np.maximum(0.0, left - water_mm)))


def litre_values(
    garden: GardenAhead, depletion_mm: Array, ahead: Coming, parts: Sequence[float]
) -> tuple[Array, Array]:
    """What a litre of a whole dose to each zone is worth on each day, (days, members, zones), and a litre of
    each part of a dose on the first day, (parts, members, zones).

    Worth is by how much it lessens the stress of the zone's plants (1 - ETa/ETc of the days ahead, FAO-56
    Eq 90), each counted by its rank and by how dear it is to replace.
    """
    table, days = garden.table, len(ahead.use_mm)
    spare = np.maximum(ahead.most_mm - ahead.raw_mm, LEAST_MM)
    behind = _left_behind(depletion_mm, ahead, spare)
    mean = np.maximum(ahead.use_mm.mean(axis=(0, 1)), LEAST_MM)
    per_litre = plant_weights(garden) * table.net_mm(garden.shares) / (mean * days)
    per_litre = per_litre * _lifts(garden, per_litre)
    dose = np.minimum(ahead.raw_mm / spare, -np.log(np.maximum(behind, LEAST_MM)))
    used = np.stack([_used(behind[0], part * dose[0]) for part in parts])
    whole, by_part = (x * per_litre for x in (_used(behind, dose), used))
    first = garden.first_rows
    return np.add.reduceat(whole, first, axis=2), np.add.reduceat(by_part, first, axis=2)


def _lifts(garden: GardenAhead, per_litre: Array) -> Array:
    """What each plant's weight is lifted by, so that the owner's ranks come first whatever the plants' sizes.

    A litre does a small plant more good than a large one, by more than ``RANK_RATIO`` where one shades some
    twenty times the ground of the other. Wholly used, a litre to a zone is to be worth at least so many
    times (``RANK_CLEAR``) one to any zone of lesser rank; where it is, nothing is lifted.
    """
    zone_rank = garden.zone_ranks
    lift = np.ones(len(garden.ranks))
    for rank in np.unique(zone_rank)[::-1]:
        better = garden.ranks <= rank
        whole = np.add.reduceat(per_litre * lift, garden.first_rows)
        least = RANK_CLEAR * float(whole[zone_rank > rank].max(initial=0.0))
        part = np.add.reduceat(np.where(better, per_litre * lift, 0.0), garden.first_rows)
        of_rank = (zone_rank == rank) & (part > 0.0)
        rest = whole - part
        factor = ((least - rest[of_rank]) / part[of_rank]).max(initial=1.0)
        lift = np.where(better, lift * factor, lift)
    return lift


def _used(behind: Array, dose: Array) -> Array:
    """The part of a dose that is used, ``dose`` over S: ``behind`` of its first mm is not; while it fills
    what is readily available none is short, so the mean of exp(-(N - x) / S), x from 0 to the dose, is left.
    """
    dose = np.maximum(dose, LEAST_MM)
    return np.asarray(np.maximum(0.0, 1.0 - behind * np.expm1(dose) / dose))


def _left_behind(depletion_mm: Array, ahead: Coming, spare_mm: Array) -> Array:
    """The part of a mm given on each day that an unwatered plant never uses, (days, members, plants)."""
    use = ahead.use_mm
    kept, filled = np.empty_like(use), np.empty(use.shape, dtype=bool)
    root = np.broadcast_to(depletion_mm, use.shape[1:])
    rate = np.minimum(use / spare_mm, 1.0)
    for i, etc in enumerate(use):
        kept[i] = np.where(root > ahead.raw_mm[i], 1.0 - rate[i], 1.0)
        most = ahead.most_mm[i]
        end = root + np.minimum(etc, rate[i] * np.maximum(0.0, most - root)) - ahead.rain_mm[i]
        filled[i] = end <= 0.0
        root = np.clip(end, 0.0, most)
    behind = np.ones(use.shape[1:])
    for i in range(len(use) - 1, -1, -1):
        # What rain washes out of a full soil is never used.
        behind = kept[i] * np.where(filled[i], 1.0, behind)
        kept[i] = behind
    return kept
