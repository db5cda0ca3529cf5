"""A site's hydraulics made ready once: what each zone gives from any level, priming included."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.curve import ZoneCurve, zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.priming import Priming, PrimingCurve
from scheduler.hydraulics.sills import sills_m
from scheduler.site.model import Site, Zone
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import StageStorage, read_off, stage_storage

Array = NDArray[np.float64]

# Levels at which priming is worked out; between them it is interpolated (it changes smoothly with the head).
PRIMING_LEVELS = 5
# So far below the level at which the first emitter stops it is surely dry.
FIRST_DRY_BELOW_M = 0.01
# A line is filled from levels above this share of the way from the lowest working level to the brim.
LOWEST_PRIMING_SHARE = 0.05
# Rows of a level table closer than this are one.
LEAST_RISE_M = 1e-6


@dataclass(frozen=True, slots=True)
class Expected:
    """What a run gives: litres by plant, litres out of the tank, and the level it ends at."""

    litres: dict[str, float]
    volume_l: float
    level_end_m: float


@dataclass(frozen=True)
class ZoneModel:
    """One zone. ``plants`` are those its emitters feed; ``plant_rows`` is (plants, emitters), 1 where fed."""

    zone: Zone
    network: Network
    curve: ZoneCurve
    drawdown: Drawdown
    plants: tuple[str, ...]
    plant_rows: Array
    worst_stop_m: float  # the lowest level at which every emitter still flows; over every sill
    priming_curve: PrimingCurve
    outlet_levels_m: Array  # level in the outlet's barrel while drawing ...
    mean_levels_m: Array  # ... and the level at rest of the same water

    def prime(self, level_m: float) -> Priming:
        """Filling the emptied part of the lines from a level, interpolated."""
        return self.priming_curve.at(level_m)

    def outlet_level_m(self, level_m: float) -> float:
        """Where the outlet's barrel stands while this zone draws from a level at rest."""
        return read_off(level_m, *self._outlet_levels)

    @cached_property
    def _outlet_levels(self) -> tuple[list[float], list[float]]:
        return [float(x) for x in self.mean_levels_m], [float(x) for x in self.outlet_levels_m]

    @cached_property
    def first_dry(self) -> tuple[str, ...]:
        """The plants whose emitter sets ``worst_stop_m``; none where a high place of a line does."""
        level_m = min(self.worst_stop_m, self.curve.level_max_m) - FIRST_DRY_BELOW_M
        heads_m = self.curve.heads_m(max(0.0, level_m))
        dry = zip(self.curve.emitter_plant, heads_m, strict=True)
        return tuple(dict.fromkeys(plant for plant, head_m in dry if plant is not None and head_m <= 0.0))

    def plant_flows_lph(self, level_m: float) -> Array:
        """Steady flow to each of ``plants`` at a level, L/h."""
        return np.asarray(self.plant_rows @ self.curve.flows_lph(self.outlet_level_m(level_m)))


@dataclass(frozen=True)
class GardenModel:
    """Built once per site by ``garden_model``; nothing in it changes."""

    site: Site
    stage: StageStorage
    zones: Mapping[str, ZoneModel]
    reserve_level_m: float

    def floor_level_m(self, zone_id: str) -> float:
        """The level below which a zone is not watered: the reserve, or where its worst emitter stops."""
        return max(self.reserve_level_m, self.zones[zone_id].worst_stop_m)

    @cached_property
    def reserve_l(self) -> float:
        """The litres that are kept back."""
        return self.stage.volume_l(self.reserve_level_m)

    @cached_property
    def usable_full_l(self) -> float:
        """What full barrels hold above the reserve."""
        return self.stage.volume_l(self.stage.brim_level_m) - self.reserve_l

    @cached_property
    def lowest_floor_m(self) -> float:
        """The level below which no zone is watered any more."""
        return min(self.floor_level_m(zone_id) for zone_id in self.zones)


def garden_model(site: Site) -> GardenModel:
    """The model of a site: per zone network, curve over levels, falling head and priming."""
    stage = stage_storage(site.tank)
    zones = {zone.id: _zone_model(site, zone, stage) for zone in site.zones}
    return GardenModel(site, stage, zones, stage.level_m(site.reserve.volume_l))


def _zone_model(site: Site, zone: Zone, stage: StageStorage) -> ZoneModel:
    network = zone_network(site, zone)
    curve = zone_curve(network, stage.brim_level_m)
    plants = tuple(dict.fromkeys(p for p in network.emitter_plant if p is not None))
    rows = np.array([[float(p == plant) for p in network.emitter_plant] for plant in plants])
    outlet_levels, mean_levels = _link_levels(site, curve, stage)
    volumes = np.interp(mean_levels, stage.levels_m, stage.volumes_l)
    # Over a high place of a line no water passes below its sill, whatever the full line would carry.
    sills = sills_m(network)[network.k_m3s > 0.0]
    worst_stop_m = max(0.0, float(curve.worst_emitter_stops_m), float(sills.max(initial=0.0)))
    return ZoneModel(
        zone=zone,
        network=network,
        curve=curve,
        drawdown=Drawdown(curve, outlet_levels, volumes),
        plants=plants,
        plant_rows=rows.reshape(len(plants), len(network.emitter_ids)),
        worst_stop_m=worst_stop_m,
        priming_curve=_priming_curve(network, zone.emptied_share, worst_stop_m, stage.brim_level_m),
        outlet_levels_m=outlet_levels,
        mean_levels_m=mean_levels,
    )


def _priming_curve(network: Network, emptied_share: float, lowest_m: float, brim_m: float) -> PrimingCurve:
    """Worked out at each level when first needed: dear beside the rest, and a plan needs only two of them."""
    lowest_m = min(lowest_m, brim_m)
    low = min(lowest_m + LOWEST_PRIMING_SHARE * (brim_m - lowest_m), 0.9 * brim_m)
    return PrimingCurve(network, [float(x) for x in np.linspace(low, brim_m, PRIMING_LEVELS)], emptied_share)


def _link_levels(site: Site, curve: ZoneCurve, stage: StageStorage) -> tuple[Array, Array]:
    """Levels of the outlet's barrel while drawing, and the level at rest of the same water, both rising.

    L_mean = L_out + c(Q(L_out)), the steady gap between linked barrels at the zone's flow; none in one tank.
    Rows over which no barrel holds water are left out.
    """
    outlet = stage.levels_m[np.concatenate(([True], np.diff(stage.volumes_l) > 0.0))]
    if site.tank.link is None or len(site.tank.barrels) < 2:
        return outlet, outlet
    flows = curve.flows_at_lph(outlet).sum(axis=1)
    mean = outlet + np.array([link_offset_m(site.tank, float(flow)) for flow in flows])
    keep = (mean <= stage.brim_level_m) & np.concatenate(([True], np.diff(mean) > LEAST_RISE_M))
    return outlet[keep], mean[keep]


class RunsFrom:
    """A zone's runs from one level, whatever their length: what they share is worked out once.

    Emitters give their steady flow of the falling head, less what they miss while the lines fill, plus what
    drains out of the lines through them afterwards. A run too short to fill the lines fills a part of them.
    """

    def __init__(self, model: GardenModel, zone_id: str, level_m: float, flow_factor: float) -> None:
        self._zone, self._stage, self._factor = model.zones[zone_id], model.stage, flow_factor
        self._level_m, self._held_l = level_m, model.stage.volume_l(level_m)

    @cached_property
    def prime(self) -> Priming:
        """Filling the lines; dear when first asked for, and not every level leaves room for a run."""
        return self._zone.prime(self._level_m)

    @cached_property
    def _whole(self) -> tuple[Array, Array, float]:
        return self._primed(1.0)

    def _primed(self, filled: float) -> tuple[Array, Array, float]:
        """Litres that the emitters miss and that drain through them, and the outlet's level after filling."""
        missing_l = self.prime.missing_l * (self._factor * filled)
        drained_l = self.prime.drained_l * filled
        # Filling takes its water at the start, so the rest of the run starts from a little lower.
        taken_l = max(0.0, float(drained_l.sum() - missing_l.sum()))
        level_m = self._stage.level_m(max(0.0, self._held_l - taken_l))
        return missing_l, drained_l, self._zone.outlet_level_m(level_m)

    def litres(self, run_s: float) -> tuple[Array, float, float]:
        """Litres by plant (in the zone's order), litres out of the tank, level at the end."""
        fill_s = self.prime.fill_s
        whole = fill_s <= 0.0 or run_s >= fill_s
        missing_l, drained_l, start_m = self._whole if whole else self._primed(run_s / fill_s)
        drawn = self._zone.drawdown.run(start_m, run_s, flow_factor=self._factor)
        litres = np.maximum(drawn.litres - missing_l, 0.0) + drained_l
        volume_l = min(float(litres.sum()), self._held_l)
        return self._zone.plant_rows @ litres, volume_l, self._stage.level_m(self._held_l - volume_l)


def run_litres(
    model: GardenModel, zone_id: str, level_m: float, run_s: float, flow_factor: float
) -> tuple[Array, float, float]:
    """One run of ``RunsFrom``."""
    return RunsFrom(model, zone_id, level_m, flow_factor).litres(run_s)


def expected_litres(
    model: GardenModel, zone_id: str, level_m: float, run_s: float, flow_factor: float = 1.0
) -> Expected:
    """What a run of ``run_s`` fully-open seconds gives from a level, priming included."""
    if run_s <= 0.0:
        return Expected(dict.fromkeys(model.zones[zone_id].plants, 0.0), 0.0, level_m)
    litres, volume_l, level_end_m = run_litres(model, zone_id, level_m, run_s, flow_factor)
    by_plant = zip(model.zones[zone_id].plants, (float(x) for x in litres), strict=True)
    return Expected(dict(by_plant), volume_l, level_end_m)
