"""How today's water is spent while the store will not last: what the daily plan asks of rationing.

Rationing is in force while, with every zone served whenever it is due, the store runs short within the days
looked at in at least ``IN_FORCE`` of the ways the weather may go. Then no zone gets more than a usual dose:
what a plant has missed is noted in its root zone and not repaid in one flood.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.planning.choices import Way
from scheduler.planning.doses import (
    Coming,
    UseAhead,
    coming,
    middle_of,
    use_ahead,
    with_needs,
    zone_doses_l,
)
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden import GardenModel
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead, garden_ahead
from scheduler.planning.lasting import Lasting, lasting
from scheduler.planning.outlook_ways import in_a_row, outlook_ways
from scheduler.planning.past_years import PastWeather
from scheduler.planning.rationing import share_out, unlimited_demand
from scheduler.planning.trajectories import EARLY
from scheduler.planning.waiting import WaitsFor, waits_for
from scheduler.site.model import GardenPlace

Array = NDArray[np.float64]
Ways = tuple[Array, Array]

# Ways of the weather that are tried (the ensembles of weather services have 30 to 51).
MEMBERS = 50
# Days looked at: two months where the place's past tells what comes after the forecast, else about twice what
# a forecast reaches, for beyond it no rain would be assumed (ours).
HORIZON_D, LITTLE_PAST_D = 60, 14
# Share of the ways in which the store must run short for rationing to be in force (ours: the early day).
IN_FORCE = EARLY


@dataclass(frozen=True, slots=True)
class ZoneRation:
    """What rationing gives a zone today. ``dose_l`` 0: nothing is due, or it waits (``waits``).
    ``missing_l``: so much more in the barrels, and it would be watered (None: not said)."""

    given_l: float
    dose_l: float
    missing_l: float | None = None
    before: tuple[str, ...] = ()  # zones whose later doses are worth more
    waits: WaitsFor = "draws"  # what decides where no dose is due


@dataclass(frozen=True, slots=True)
class Ration:
    """Rationing in force. Days on which the store would run short if nobody were refused: of one in ten ways,
    half of them, nine in ten; None: beyond the days looked at."""

    way: Way
    zones: Mapping[str, ZoneRation]
    shares: Mapping[str, float]  # by plant, of a litre of its zone
    best_rank: int
    short_early: date | None
    short_middle: date | None
    short_late: date | None
    looked_d: int

    def targets_l(self, zone: str, plants: Sequence[str]) -> dict[str, float]:
        """What each plant of a zone gets of its litres."""
        return {p: self.zones[zone].given_l * self.shares.get(p, 0.0) for p in plants}


def looked_d(past: PastWeather | None, first: date) -> int:
    """How many days from ``first`` on are looked at."""
    enough = past is not None and len(past.until(first).et0_mm) > HORIZON_D
    return HORIZON_D if enough else LITTLE_PAST_D


def ways_of(
    place: GardenPlace, first: date, forecast: Outlook | Sequence[DayWeather], past: PastWeather | None
) -> Ways | None:
    """ET0 and rain of ``HORIZON_D`` days in ``MEMBERS`` ways; None where neither past nor forecast tells any.

    ``forecast``: days as far as known, or a whole outlook: its members where a service told them, an aged
    one as wide as it says. The draws are seeded by the data and the date, so the same inputs give the same
    ways.
    """
    known = past.until(first) if past is not None else None
    if isinstance(forecast, Outlook):
        drawn = outlook_ways(forecast, first, place, MEMBERS)
    else:
        told = in_a_row(forecast, first)
        drawn = forecast_ways(told, place, MEMBERS) if told else None
    return ways_ahead(known, drawn, first, HORIZON_D, MEMBERS)


@dataclass(frozen=True, slots=True, eq=False)
class StoreAhead:
    """The garden and its store through the ways the weather may go, every zone served whenever it is due."""

    garden: GardenAhead
    held_l: float
    depletion_mm: Array
    ways: Ways
    ahead: UseAhead
    lasting: Lasting


def store_ahead(
    model: GardenModel,
    *,
    level_m: float,
    depletion_mm: Mapping[str, float],
    first: date,
    ways: Ways,
    leak_l: float = 0.0,
) -> StoreAhead:
    """How long the store lasts from ``first`` on, and what rationing works from. ``leak_l``: a day."""
    et0, rain = ways
    days = [first + timedelta(days=n) for n in range(et0.shape[1])]
    garden = garden_ahead(model, days, level_m=level_m, leak_l=leak_l)
    held_l, root = model.stage.volume_l(level_m), garden.start(dict(depletion_mm))
    ahead = use_ahead(garden.table, et0, rain)
    return StoreAhead(garden, held_l, root, ways, ahead, lasting(garden, held_l, root, rain, ahead))


def ration_today(store: StoreAhead, way: Way, looked_d: int = HORIZON_D) -> Ration | None:
    """Today's rationing by the first ``looked_d`` days; None while it is not in force."""
    garden, root, days = store.garden, store.depletion_mm, min(looked_d, store.lasting.looked_d)
    first, left = garden.table.days[0], store.lasting.days_left
    if not garden.zone_ids or left[0] is None or left[0] >= days:
        return None
    et0, rain = (w[:, :days] for w in store.ways)
    whole = days == store.lasting.looked_d
    ahead = with_needs(store.ahead, rain) if whole else coming(garden.table, et0, rain)
    early, middle, late = (first + timedelta(days=n) if n is not None and n < days else None for n in left)
    return Ration(
        way=way,
        zones=_zones(garden, way, store.held_l, root, et0, rain, ahead),
        shares={p.id: float(s) for p, s in zip(garden.table.plants, garden.shares, strict=True)},
        best_rank=int(garden.zone_ranks.min()),
        short_early=early,
        short_middle=middle,
        short_late=late,
        looked_d=days,
    )


def _zones(
    garden: GardenAhead, way: Way, held_l: float, root: Array, et0: Array, rain: Array, ahead: Coming
) -> dict[str, ZoneRation]:
    middle = middle_of(garden.table, ahead, et0)
    dose = zone_doses_l(garden, 0, root[None], middle)[0]
    waits = waits_for(garden, root[None], middle)
    if way != "ranked" or not (dose > 0.0).any():
        rows = zip(garden.zone_ids, dose, waits, strict=True)
        return {z: ZoneRation(float(d), float(d), waits=w) for z, d, w in rows}
    found = share_out(garden, held_l, unlimited_demand(garden, root, rain, ahead), dose)
    order = np.argsort(-found.value, kind="stable")
    zones = {}
    for row, zone in enumerate(garden.zone_ids):
        cut = found.dose_l[row] > LEAST_L and found.litres[row] <= LEAST_L
        dearer = [garden.zone_ids[o] for o in order if found.value[o] > found.value[row]]
        missing = float(found.missing_l[row])
        zones[zone] = ZoneRation(
            given_l=float(found.litres[row]),
            dose_l=float(found.dose_l[row]),
            missing_l=missing if cut and np.isfinite(missing) else None,
            before=tuple(dearer) if cut else (),
            waits=waits[row],
        )
    return zones
