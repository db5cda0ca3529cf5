"""Who gets the water when the store will not last.

Each zone has a *price*: what a litre to it is worth, by its best-ranked plants. In every member of the
weather ahead the zones are served in the order of their prices until the store cannot carry one more up to
the day on which it is full again, or to the end; the price of that one is what a stored litre is worth in
that member.
The mean over the members is the *worth of a stored litre*. A zone is watered only while its own price is not
below it. So low ranks are cut before all, first ranks are kept safe by as much as the weather is uncertain,
and what is kept for them is let go by the same rule once rain or the season's end makes it needless.

A zone that is watered gets a whole dose when it falls due, and none otherwise: deep and rarely, or not at
all. What a plant lost is noted, and a dose is never more than a usual one: nothing is repaid in one flood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.rootzone import SMALL_RAIN_SHARE
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead
from scheduler.planning.root_zones import due_now, readily_mm, use_mm, zones_day
from scheduler.planning.sizing import OVER_MAX
from scheduler.supply.storage import roof_catches_l

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A litre to a plant of one rank is worth so many litres to the next (ours).
RANK_RATIO = 4.0
UNRANKED = 10**6
PARTS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)
LEAST_USEFUL_SHARE = 0.5
ROOM_D = 7
NEAR_D = 2
DUE_AHEAD_D = 1.0
SURE = 0.7
PUT_OFF_SHARE = 0.5
OVERDUE_LIMIT = 1.2


def rank_weights(garden: GardenAhead) -> Array:
    """What a stress day of each plant counts: 1 for rank 1, less by ``RANK_RATIO`` with each rank."""
    return np.asarray(RANK_RATIO ** (1.0 - garden.ranks))


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """What the garden would draw without a shortage. ``zones_l`` (members, days, zones)."""

    zones_l: Array
    caught_l: Array  # (members, days)


def dose_l(
    garden: GardenAhead,
    i: int,
    root_mm: Array,
    etc_mm: Array,
    raw_mm: Array,
    need_mm: Array,
    room_mm: float,
    near_mm: float,
) -> Array:
    """Litres of each zone's run if it is served on day ``i``, (members, zones); 0 where none of it is due.

    A plant wants its depletion back, but no more than a usual dose (readily available water and a day's use)
    and no more than ``need_mm``: what it can still use until the end.
    """
    due = np.where(
        garden.table.by_age[i],
        due_now(garden.table, i, root_mm, etc_mm, raw_mm),
        root_mm + DUE_AHEAD_D * etc_mm >= raw_mm,
    )
    due = due & ~((near_mm >= PUT_OFF_SHARE * (root_mm + etc_mm)) & (root_mm < OVERDUE_LIMIT * raw_mm))
    usual = np.minimum(root_mm, raw_mm)
    want = np.minimum(np.maximum(root_mm - room_mm, np.maximum(LEAST_USEFUL_SHARE * raw_mm, etc_mm)), usual)
    want = np.minimum(want, np.maximum(0.0, root_mm + need_mm - raw_mm))
    room = garden.table.gross_l(root_mm + etc_mm)
    return covering_l(garden, garden.table.gross_l(np.maximum(0.0, want)), room, due)


def covering_l(garden: GardenAhead, want_l: Array, room_l: Array, due: Flags) -> Array:
    """Each zone's litres that cover the wants of its best-ranked plants that are due, (members, zones).

    None of these gets more than ``OVER_MAX`` beyond ``room_l``, what its soil takes by tonight.
    """
    asks = due & (want_l >= LEAST_L) & (garden.shares > 0.0)
    best = np.minimum.reduceat(np.where(asks, garden.ranks, UNRANKED), garden.first_rows, axis=1)
    first = asks & (garden.ranks == best[:, garden.zone_rows])
    litres = want_l / np.maximum(garden.shares, 1e-9)
    most = np.maximum.reduceat(np.where(first, litres, 0.0), garden.first_rows, axis=1)
    room = np.where(first, room_l / np.maximum(garden.shares, 1e-9), np.inf)
    least = np.minimum.reduceat(room, garden.first_rows, axis=1)
    return np.where(most > 0.0, np.minimum(most, (1.0 + OVER_MAX) * least), 0.0)


def rain_soon_mm(rain_mm: Array, days: int) -> Array:
    """Mean over the members of the rain of each day and those after it, ``days`` in all, (days)."""
    return np.asarray(_sums(rain_mm, days).mean(axis=0))


def sure_rain_mm(rain_mm: Array, days: int) -> Array:
    """Rain of each day and those after it that most of the members bring at least, (days)."""
    return np.asarray(np.quantile(_sums(rain_mm, days), 1.0 - SURE, axis=0))


def _sums(rain_mm: Array, days: int) -> Array:
    ahead = np.concatenate([np.zeros((len(rain_mm), 1)), np.cumsum(rain_mm, axis=1)], axis=1)
    last = np.minimum(np.arange(rain_mm.shape[1]) + days, rain_mm.shape[1])
    return np.asarray(ahead[:, last] - ahead[:, :-1])


def needs_to_come_mm(garden: GardenAhead, et0_mm: Array, rain_mm: Array) -> Array:
    """What each plant still uses before rain makes it good or the end comes, (days, members, plants)."""
    days = et0_mm.shape[1]
    use = np.stack([use_mm(garden.table, i, et0_mm[:, i]) for i in range(days)])
    rain = np.where(rain_mm >= SMALL_RAIN_SHARE * et0_mm, rain_mm, 0.0).T[:, :, None]
    need = use - rain
    for i in range(days - 2, -1, -1):
        need[i] += np.maximum(0.0, need[i + 1])
    return np.asarray(need)


def unlimited_demand(garden: GardenAhead, depletion_mm: Array, et0_mm: Array, rain_mm: Array) -> Demand:
    """Every zone served whenever it is due."""
    members, days = et0_mm.shape
    table = garden.table
    wants = np.zeros((members, days, len(garden.zone_ids)))
    to_come = needs_to_come_mm(garden, et0_mm, rain_mm)
    room, near = rain_soon_mm(rain_mm, ROOM_D), sure_rain_mm(rain_mm, NEAR_D)
    root = np.broadcast_to(depletion_mm, (members, len(table.plants)))
    for i in range(days):
        etc = use_mm(table, i, et0_mm[:, i])
        raw = readily_mm(table, i, etc)
        wants[:, i] = dose_l(garden, i, root, etc, raw, to_come[i], float(room[i]), float(near[i]))
        water = table.net_mm(wants[:, i, garden.zone_rows] * garden.shares)
        root = zones_day(table, i, root, et0_mm[:, i], rain_mm[:, i], water).depletion_mm
    return Demand(wants, roof_catches_l(garden.roof, rain_mm))


def zone_prices(garden: GardenAhead) -> Array:
    """Worth of a litre to each zone."""
    weights = rank_weights(garden)
    use = garden.table.canopy_m2 * garden.table.coefficient.mean(axis=0)
    value = np.add.reduceat(weights, garden.first_rows)
    return np.asarray(value / np.add.reduceat(use, garden.first_rows))


def slack_l(garden: GardenAhead, held_l: float, demand: Demand, order: NDArray[np.intp]) -> Array:
    """Litres that can be taken from the store today without a shortage of the first n zones of ``order`` at
    any time ahead, (members, zones): the least of what stands over the floor and of what runs over before.
    """
    wants = np.cumsum(demand.zones_l[:, :, order], axis=2)
    floors = np.maximum.accumulate(garden.floors_l[order])
    members, days, zones = wants.shape
    held = np.full((members, zones), min(held_l, garden.full_l))
    over = np.zeros((members, zones))
    least = np.full((members, zones), np.inf)
    for i in range(days):
        held = held - wants[:, i]
        least = np.minimum(least, held - floors + over)
        held = held + demand.caught_l[:, i : i + 1]
        spilt = np.maximum(0.0, held - garden.full_l)
        held, over = held - spilt, over + spilt
    return least


def allotted_l(garden: GardenAhead, held_l: float, demand: Demand, dose_l: Array) -> Array:
    """Litres of each zone today of the doses it is due, (zones): the whole, the least useful part, or 0."""
    prices = zone_prices(garden)
    order = np.argsort(-prices, kind="stable")
    slack = slack_l(garden, held_l, demand, order)
    given = np.zeros(len(prices))
    for place, zone in enumerate(order):
        # What lesser zones before this one draw today comes on top of what the better ones count on.
        before = given[order[:place]]
        extra = before[::-1].cumsum()[::-1] - before
        free = held_l - float(before.sum()) - garden.floors_l[zone]
        for part in PARTS:
            least = LEAST_USEFUL_SHARE * dose_l[zone]
            litres = min(part * float(dose_l[zone]), free)
            if litres <= 0.0 or litres < least:
                continue
            short = np.clip((litres + extra - slack[:, :place]) / litres, 0.0, 1.0)
            lost = (short * prices[order[:place]]).max(axis=1, initial=0.0)
            if prices[zone] >= float(lost.mean()):
                given[zone] = litres
                break
    return given
