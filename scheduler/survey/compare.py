"""Two gardens side by side: what each plant gets at full, half and low, where it stops, evenness, dead
storage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network
from scheduler.hydraulics.sills import sills_m
from scheduler.hydraulics.solve import solve_levels
from scheduler.hydraulics.uniformity import du_low_quarter
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.model import Site, Zone
from scheduler.survey.levels import LEVEL_SHARES, LevelSurvey, zone_levels
from scheduler.survey.survey import outside_measured
from scheduler.survey.wants import midsummer_wants

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlantSide:
    """One plant in one garden: L/h at full, half and low; where its last emitter stops (None: never
    flows)."""

    flows_lph: tuple[float, ...]
    stops_m: float | None


@dataclass(frozen=True, slots=True)
class ZoneSide:
    """One zone in one garden: low-quarter uniformity of what each plant gets for each litre that it wants, at
    each level (None: dry). ``outside``: at each level the emitters that are asked for a head outside those at
    which they were measured."""

    evenness: tuple[float | None, ...]
    dead_storage_l: float
    outside: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class GardenSide:
    """A garden, each zone open alone; plants and zones by id."""

    site: Site
    levels_m: tuple[float, ...]
    full_l: float
    plants: dict[str, PlantSide]
    zones: dict[str, ZoneSide]


def garden_side(site: Site, *, model: GardenModel | None = None) -> GardenSide:
    """All that is compared of one garden, every figure from its solved curves."""
    model = model or garden_model(site)
    brim = model.stage.brim_level_m
    at = tuple(share * brim for _, share in LEVEL_SHARES)
    wants = midsummer_wants(site)
    plants: dict[str, PlantSide] = {}
    zones: dict[str, ZoneSide] = {}
    for zone in site.zones:
        levels = zone_levels(model, zone.id, levels=5)
        made = model.zones[zone.id]
        sills = sills_m(made.network)  # over a high place none passes below it
        flows = np.array([made.plant_rows @ np.where(x > sills, made.curve.flows_lph(x), 0.0) for x in at])
        wanted = np.array([wants[p] for p in levels.plants])
        even = tuple(_evenness(row, wanted) for row in flows)
        zones[zone.id] = ZoneSide(even, levels.dead_storage_l, _outside(zone, made.network, at))
        plants |= _plants(levels, flows)
    return GardenSide(site, at, model.stage.volume_l(brim), plants, zones)


def _outside(zone: Zone, network: Network, at: Sequence[float]) -> tuple[tuple[str, ...], ...]:
    if all(e.head_min_m is None and e.head_max_m is None for e in zone.emitters):
        return ((),) * len(at)
    table = solve_levels(network, np.array(at))
    ids = network.emitter_ids
    return tuple(
        outside_measured(zone, dict(zip(ids, heads, strict=True)), dict(zip(ids, flows, strict=True)))
        for heads, flows in zip(table.head_m.tolist(), table.flow_lph.tolist(), strict=True)
    )


def _plants(levels: LevelSurvey, flows: Array) -> dict[str, PlantSide]:
    found = {}
    for i, plant in enumerate(levels.plants):
        stop = float(levels.plant_stops_m[i])
        found[plant] = PlantSide(tuple(flows[:, i].tolist()), None if np.isnan(stop) else stop)
    return found


def _evenness(row: Array, wanted: Array) -> float | None:
    shares = row[wanted > 0.0] / wanted[wanted > 0.0]
    return du_low_quarter(shares) if shares.size and float(shares.sum()) > 0.0 else None
