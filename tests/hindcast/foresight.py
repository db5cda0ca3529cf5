"""The least stress that a planner who knows the weather in advance can reach: a linear programme (HiGHS).

Variables by plant and day: what it uses and its depletion; by zone and day: litres; by day: the store. The
programme may let a plant use less than it could and lets litres be split as finely as it likes, so it is no
worse than any real planner (a bound). Its balance is FAO-56 Eq 84 to 88, as the garden's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from scheduler.agronomy.need import APPLICATION_EFFICIENCY
from scheduler.agronomy.rootzone import SMALL_RAIN_SHARE
from scheduler.planning.garden_ahead import GardenAhead
from scheduler.planning.root_zones import readily_mm, use_mm
from scheduler.supply.storage import roof_catches_l

Array = NDArray[np.float64]


def least_stress(
    garden: GardenAhead, held_l: float, depletion_mm: Array, et0_mm: Array, rain_mm: Array, weights: Array
) -> tuple[float, Array]:
    """The least sum of weight x stress (1 - ETa/ETc of the season, FAO-56 Eq 90), and the stress by plant.

    ``et0_mm`` and ``rain_mm`` have a value a day.
    """
    table = garden.table
    days, plants, zones = len(et0_mm), len(table.plants), len(garden.zone_ids)
    etc = np.array([use_mm(table, i, et0_mm[i : i + 1])[0] for i in range(days)])
    raw = np.array([readily_mm(table, i, etc[i][None])[0] for i in range(days)])
    rain = np.where(rain_mm >= SMALL_RAIN_SHARE * et0_mm, rain_mm, 0.0)
    caught = roof_catches_l(garden.roof, rain_mm)
    floor = float(garden.floors_l[0])
    assert np.all(garden.floors_l == floor)

    def e(t: int, p: int) -> int:
        return t * plants + p

    d0 = days * plants

    def d(t: int, p: int) -> int:
        return d0 + t * plants + p

    v0 = d0 + (days + 1) * plants

    def v(t: int, z: int) -> int:
        return v0 + t * zones + z

    s0 = v0 + days * zones
    count = s0 + days + 1
    low, high = np.zeros(count), np.full(count, np.inf)
    high[:d0] = etc.ravel()
    high[d0:v0] = np.tile(table.taw_mm, days + 1)
    low[d0 : d0 + plants] = high[d0 : d0 + plants] = depletion_mm
    high[s0:] = garden.full_l
    low[s0] = high[s0] = held_l
    cost = np.zeros(count)
    cost[:d0] = -np.broadcast_to(weights / etc.sum(axis=0), etc.shape).ravel()
    rows: list[tuple[int, int, float]] = []
    bound: list[float] = []

    def at_most(limit: float, *terms: tuple[int, float]) -> None:
        rows.extend((len(bound), column, factor) for column, factor in terms)
        bound.append(limit)

    net = APPLICATION_EFFICIENCY / table.canopy_m2
    for t in range(days):
        for p in range(plants):
            slope = etc[t, p] / (table.taw_mm[p] - raw[t, p])
            at_most(slope * table.taw_mm[p], (e(t, p), 1.0), (d(t, p), slope))
            water = net[p] * garden.shares[p]
            at_most(
                rain[t],
                (d(t, p), 1.0),
                (e(t, p), 1.0),
                (v(t, int(garden.zone_rows[p])), -water),
                (d(t + 1, p), -1.0),
            )
        drawn = [(v(t, z), 1.0) for z in range(zones)]
        at_most(caught[t], (s0 + t + 1, 1.0), (s0 + t, -1.0), *drawn)
        at_most(-min(floor, held_l) if t == 0 else -floor, (s0 + t, -1.0), *drawn)
    matrix = coo_array(
        ([f for _, _, f in rows], ([r for r, _, _ in rows], [c for _, c, _ in rows])),
        shape=(len(bound), count),
    ).tocsr()
    found = linprog(cost, A_ub=matrix, b_ub=bound, bounds=np.stack([low, high], axis=1), method="highs")
    assert found.status == 0, found.message
    used = found.x[:d0].reshape(days, plants)
    stress = 1.0 - used.sum(axis=0) / etc.sum(axis=0)
    return float(weights @ stress), stress
