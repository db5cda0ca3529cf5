"""A garden as drawn, at one level: who is reached and how evenly, each zone open alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scheduler.hydraulics.curve import ZoneCurve, zone_curve
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import Flows, solve
from scheduler.hydraulics.uniformity import du_low_quarter
from scheduler.planning.garden import GardenModel
from scheduler.site.model import Emitter, Site, Zone
from scheduler.site.showing import show_level, show_share, show_volume
from scheduler.supply.stage import StageStorage, stage_storage

# An emitter below this gives drops, not water: a hundredth of a litre an hour (a choice of this project).
REACHED_LPH = 0.01
# Low-quarter uniformity below which the field trade calls a system poor (Merriam & Keller; from memory).
POOR_DU = 0.7


@dataclass(frozen=True, slots=True)
class EmitterSurvey:
    """Head above an emitter (m, negative above the water) and its flow."""

    id: str
    plant: str | None
    head_m: float
    flow_lph: float


@dataclass(frozen=True, slots=True)
class PlantSurvey:
    """All that a plant's emitters give together."""

    id: str
    flow_lph: float


@dataclass(frozen=True, slots=True)
class ZoneSurvey:
    """One zone open alone. ``du_low_quarter`` is of the sums per plant; None where nothing flows.

    ``worst_emitter_stops_m``: lowest level at which every emitter flows, and ``dead_storage_l`` the litres
    above the outlet that stand below it; None when some emitter gets nothing even from full barrels.
    """

    id: str
    flow_lph: float
    emitters: tuple[EmitterSurvey, ...]
    plants: tuple[PlantSurvey, ...]
    du_low_quarter: float | None
    worst_emitter_stops_m: float | None
    dead_storage_l: float | None
    prime_volume_l: float


@dataclass(frozen=True, slots=True)
class SurveyResult:
    level_m: float
    volume_l: float
    zones: tuple[ZoneSurvey, ...]
    findings: tuple[str, ...]


def survey(site: Site, level_m: float, *, model: GardenModel | None = None) -> SurveyResult:
    """Heads and flows of every emitter with the water ``level_m`` above the outlet, and what is amiss.

    A ``model`` at hand saves building the curves again; the flows are always solved, never interpolated.
    """
    stage = model.stage if model is not None else stage_storage(site.tank)
    curves = {z: m.curve for z, m in model.zones.items()} if model is not None else {}
    zones: list[ZoneSurvey] = []
    findings = _level_findings(site, level_m, stage)
    for zone in site.zones:
        seen = _zone_survey(site, zone, level_m, stage, curves)
        zones.append(seen)
        findings += _zone_findings(site, zone, seen, level_m)
    findings += _unfed(site)
    return SurveyResult(level_m, stage.volume_l(level_m), tuple(zones), tuple(findings))


def _zone_survey(
    site: Site, zone: Zone, level_m: float, stage: StageStorage, curves: Mapping[str, ZoneCurve]
) -> ZoneSurvey:
    network = zone_network(site, zone)
    curve = curves.get(zone.id) or zone_curve(network, stage.brim_level_m)
    flows: Flows = solve(network, level_m)
    emitters = tuple(
        EmitterSurvey(emitter, plant, float(head), float(flow))
        for emitter, plant, head, flow in zip(
            network.emitter_ids, network.emitter_plant, flows.head_m, flows.flow_lph, strict=True
        )
    )
    sums: dict[str, float] = {}
    for e in emitters:
        if e.plant is not None:
            sums[e.plant] = sums.get(e.plant, 0.0) + e.flow_lph
    plants = tuple(PlantSurvey(plant, flow) for plant, flow in sums.items())
    stops_m = curve.worst_emitter_stops_m if math.isfinite(curve.worst_emitter_stops_m) else None
    return ZoneSurvey(
        id=zone.id,
        flow_lph=float(flows.total_lph),
        emitters=emitters,
        plants=plants,
        du_low_quarter=du_low_quarter(np.array(list(sums.values()))) if sum(sums.values()) > 0.0 else None,
        worst_emitter_stops_m=stops_m,
        dead_storage_l=stage.volume_l(stops_m) if stops_m is not None else None,
        prime_volume_l=network.line_volume_l * zone.emptied_share,
    )


def _level_findings(site: Site, level_m: float, stage: StageStorage) -> list[str]:
    if level_m > stage.brim_level_m:
        brim = show_level(stage.brim_level_m, site.units)
        asked = show_level(level_m, site.units)
        return [f"The barrels overflow at {brim} above the outlet; {asked} cannot be reached."]
    return []


def _zone_findings(site: Site, zone: Zone, seen: ZoneSurvey, level_m: float) -> list[str]:
    at = f"at {show_level(level_m, site.units)} above the outlet"
    found = [
        f"Zone {zone.name}: {site.plant(p.id).name} gets no water {at}."
        for p in seen.plants
        if p.flow_lph < REACHED_LPH
    ]
    dry_plants = {p.id for p in seen.plants if p.flow_lph < REACHED_LPH}
    dry_heads = [e.head_m for e in seen.emitters if e.flow_lph < REACHED_LPH]
    if dry_heads:
        missing = show_level(max(0.0, -min(dry_heads)), site.units)
        found.append(
            f"Zone {zone.name}: what is dry stands up to {missing} above the water; lower it, raise the "
            "barrels, or give it a valve of its own. Opening it wider does not help."
        )
    found += [
        f"Zone {zone.name}: emitter {e.id} is dry {at}."
        for e in seen.emitters
        if e.flow_lph < REACHED_LPH and e.plant not in dry_plants
    ]
    if seen.worst_emitter_stops_m is None:
        found.append(
            f"Zone {zone.name}: some emitter gets nothing even from full barrels; it is never watered."
        )
    elif seen.dead_storage_l:
        found.append(
            f"Zone {zone.name}: its worst emitter stops at "
            f"{show_level(seen.worst_emitter_stops_m, site.units)}; the "
            f"{show_volume(seen.dead_storage_l, site.units)} below that cannot water it."
        )
    if seen.du_low_quarter is not None and seen.du_low_quarter < POOR_DU:
        found.append(
            f"Zone {zone.name}: the least served quarter of its plants gets "
            f"{show_share(seen.du_low_quarter)} of the mean {at}"
            f"{'; see to the dry ones first.' if dry_heads else '; trim the emitters.'}"
        )
    return found + _curve_findings(zone, seen)


def _curve_findings(zone: Zone, seen: ZoneSurvey) -> list[str]:
    """Emitters asked outside the heads in which their curve was measured."""
    by_id: dict[str, Emitter] = {e.id: e for e in zone.emitters}
    outside = [
        e.id for e in seen.emitters if e.flow_lph >= REACHED_LPH and not _measured_at(by_id[e.id], e.head_m)
    ]
    if not outside:
        return []
    some = ", ".join(outside[:5]) + (f" and {len(outside) - 5} more" if len(outside) > 5 else "")
    return [
        f"Zone {zone.name}: outside the heads at which they were measured: {some}; test them at this head."
    ]


def _measured_at(emitter: Emitter, head_m: float) -> bool:
    """True too where no range is given: nothing is then known to be outside."""
    if emitter.head_min_m is not None and head_m < emitter.head_min_m:
        return False
    return emitter.head_max_m is None or head_m <= emitter.head_max_m


def _unfed(site: Site) -> list[str]:
    fed = {e.plant for zone in site.zones for e in zone.emitters}
    return [f"{plant.name} has no emitter." for plant in site.plants if plant.id not in fed]
