"""A zone over the whole range of levels: what every emitter and plant gets, and where each weakens and
stops."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.curve import ZoneCurve
from scheduler.hydraulics.sills import sills_m
from scheduler.planning.garden import GardenModel, ZoneModel

Array = NDArray[np.float64]

# An emitter or plant is called weak below this share of what it gets from full barrels (a choice of this
# project).
WEAK_SHARE = 0.5
# The levels that people speak of, as shares of the way from the outlet to the brim.
LEVEL_SHARES = (("full", 1.0), ("half", 0.5), ("low", 0.2))
# Levels in a table for people and pictures; the curve behind it has 64 knots of its own.
TABLE_LEVELS = 33
# Halvings of the range of levels: 1e-6 of it.
_HALVINGS = 20


@dataclass(frozen=True, slots=True)
class LevelSurvey:
    """One zone, open alone, from the outlet (level 0) to the brim. Levels are those in the outlet's barrel.
    Below a sill on the way no water passes.

    ``*_stops_m``: lowest level at which it still flows, 0 if it flows as long as water reaches the outlet,
    nan if it gets nothing even from full barrels; ``*_weakens_m`` likewise for ``WEAK_SHARE`` of the flow
    when full.
    ``dead_storage_l``: litres above the outlet that cannot reach every emitter (all of them when one never
    flows).
    """

    zone: str
    levels_m: Array  # (n,), rising
    flow_lph: Array  # (n,)
    emitter_ids: tuple[str, ...]
    emitter_plant: tuple[str | None, ...]
    emitter_head_m: Array  # (n, emitters), negative above the water
    emitter_flow_lph: Array  # (n, emitters)
    emitter_weakens_m: Array  # (emitters,)
    emitter_stops_m: Array  # (emitters,)
    plants: tuple[str, ...]
    plant_flow_lph: Array  # (n, plants)
    plant_weakens_m: Array  # (plants,)
    plant_stops_m: Array  # (plants,): where its last emitter falls dry
    dead_storage_l: float

    def plant_flows_at(self, level_m: float) -> dict[str, float]:
        """L/h of each plant at a level, read from the table."""
        return {
            p: float(np.interp(level_m, self.levels_m, self.plant_flow_lph[:, i]))
            for i, p in enumerate(self.plants)
        }


def zone_levels(model: GardenModel, zone_id: str, *, levels: int = TABLE_LEVELS) -> LevelSurvey:
    """The table of one zone from its curve. KeyError for an unknown zone."""
    zone = model.zones[zone_id]
    curve, brim_m = zone.curve, zone.curve.level_max_m
    at = np.linspace(0.0, brim_m, levels)
    rows, sills = zone.plant_rows, sills_m(zone.network)

    def reached(levels_m: Array) -> Array:
        return np.where(np.asarray(levels_m)[:, None] > sills, curve.flows_at_lph(levels_m), 0.0)

    def of_plants(levels_m: Array) -> Array:
        return np.asarray(reached(levels_m) @ rows.T)

    flows = reached(at)
    full = reached(np.array([brim_m]))[0]
    stops = np.maximum(_first_level(_over_start(curve), len(curve.emitter_ids), brim_m), sills)
    stops = np.where(stops >= brim_m, np.nan, stops)
    return LevelSurvey(
        zone=zone_id,
        levels_m=at,
        flow_lph=flows.sum(axis=1),
        emitter_ids=curve.emitter_ids,
        emitter_plant=curve.emitter_plant,
        emitter_head_m=curve.heads.at_all(at),
        emitter_flow_lph=flows,
        emitter_weakens_m=_weakens(reached, full, brim_m),
        emitter_stops_m=stops,
        plants=zone.plants,
        plant_flow_lph=flows @ rows.T,
        plant_weakens_m=_weakens(of_plants, rows @ full, brim_m),
        plant_stops_m=_plant_stops(zone, stops),
        dead_storage_l=_dead_l(model, stops),
    )


def _over_start(curve: ZoneCurve) -> Callable[[Array], Array]:
    def over(levels_m: Array) -> Array:
        head = curve.heads.at_all(levels_m) - curve.law.start_head_m
        return np.where(curve.law.alive, head, -1.0)

    return over


def _weakens(flows: Callable[[Array], Array], full: Array, brim_m: float) -> Array:
    def over(levels_m: Array) -> Array:
        return np.where(full > 0.0, flows(levels_m) - WEAK_SHARE * full, -1.0)

    return _first_level(over, len(full), brim_m)


def _first_level(over: Callable[[Array], Array], count: int, brim_m: float) -> Array:
    """Lowest level at which each column of ``over`` is above zero; it rises with the level."""
    low, high = np.zeros(count), np.full(count, brim_m)
    column = np.arange(count)
    if count == 0:
        return low
    never = over(np.array([brim_m]))[0] <= 0.0
    always = over(np.array([0.0]))[0] > 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        wet = over(middle)[column, column] > 0.0
        low, high = np.where(wet, low, middle), np.where(wet, middle, high)
    return np.where(never, np.nan, np.where(always, 0.0, high))


def _plant_stops(zone: ZoneModel, stops: Array) -> Array:
    each = np.where(np.isnan(stops), np.inf, stops)
    found = [float(each[row > 0.0].min(initial=np.inf)) for row in zone.plant_rows]
    return np.array([x if np.isfinite(x) else np.nan for x in found])


def _dead_l(model: GardenModel, stops: Array) -> float:
    if len(stops) == 0:
        return 0.0
    if np.isnan(stops).any():
        return model.stage.volume_l(model.stage.brim_level_m)
    return model.stage.volume_l(float(stops.max()))
