"""A garden as drawn, at one level: who is reached and how evenly, each zone open alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network
from scheduler.hydraulics.sills import sills_m
from scheduler.hydraulics.solve import Flows, solve
from scheduler.hydraulics.uniformity import du_low_quarter, emission_uniformity, statistical_uniformity
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.model import Emitter, Site, Zone
from scheduler.site.showing import show_length, show_share, show_volume
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import StageStorage
from scheduler.survey.air import AirPlace, air_places
from scheduler.survey.head_budget import HeadBudget, head_budgets
from scheduler.survey.laterals import LateralLimit, longest_lateral
from scheduler.survey.levels import LevelSurvey, zone_levels
from scheduler.survey.sentences import show_height
from scheduler.survey.wants import midsummer_wants

Array = NDArray[np.float64]

# An emitter below this gives drops, not water: a hundredth of a litre an hour (a choice of this project).
REACHED_LPH = 0.01
# A head is outside those of a test by more than the levels of both are read to (two sd of a sight tube;
# common practice, no source).
READ_TO_M = 0.01
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
    levels: LevelSurvey | None = None
    budgets: tuple[HeadBudget, ...] = ()
    air: tuple[AirPlace, ...] = ()
    emission: float | None = None  # design EU of the plants' sums
    statistical: float | None = None  # Us of the plants' sums
    du_emitters: float | None = None  # low-quarter uniformity emitter by emitter
    du_wanted: float | None = None  # low-quarter uniformity of flow for each litre that a plant wants
    prime_s: float | None = None  # to fill the emptied part of the lines at this level; None: not worked out
    link_gap_m: float = 0.0  # how far the outlet's barrel stands below the mean while this zone draws
    cold_share: float | None = None  # flow with water at COLD_C over that at 20 degC
    warm_share: float | None = None
    laterals: tuple[LateralLimit, ...] = ()

    @property
    def grade(self) -> str | None:
        """The published class of ``du_wanted``: plants of one zone want unlike litres, and a garden trimmed
        to them is uneven in litres on purpose. See ``uniformity_class``."""
        return uniformity_class(self.du_wanted)


# Lower edges of the bands of DU and EU of ASABE EP458 (from memory: 94-100, 81-87, 68-75, 56-62 %, below 50
# %). The bands leave gaps; a value in a gap takes the class below it (the cautious rule of this project).
CLASSES = ((0.94, "excellent"), (0.81, "good"), (0.68, "fair"), (0.56, "poor"), (0.0, "unacceptable"))
# Water of a spring morning and of a hot afternoon in a dark barrel (a choice of this project), degC.
COLD_C, WARM_C = 5.0, 30.0
# A joint between barrels is called thin when the outlet's barrel stands so far below the mean while drawing.
THIN_LINK_M = 0.03


def uniformity_class(du: float | None) -> str | None:
    """Class of a low-quarter or emission uniformity (0 to 1) by the published bands; None for None."""
    if du is None:
        return None
    return next(word for edge, word in CLASSES if du >= edge)


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
    model = model or garden_model(site)
    stage = model.stage
    zones: list[ZoneSurvey] = []
    findings = _level_findings(site, level_m, stage)
    for zone in site.zones:
        seen = _zone_survey(site, zone, level_m, model)
        zones.append(seen)
        findings += _zone_findings(site, zone, seen, level_m)
    findings += _unfed(site)
    return SurveyResult(level_m, stage.volume_l(level_m), tuple(zones), tuple(findings))


def _zone_survey(site: Site, zone: Zone, level_m: float, model: GardenModel) -> ZoneSurvey:
    made = model.zones[zone.id]
    network, stage = made.network, model.stage
    flows: Flows = solve(network, level_m)
    emitters = tuple(
        EmitterSurvey(emitter, plant, float(head), float(flow))
        for emitter, plant, head, flow in zip(
            network.emitter_ids, network.emitter_plant, flows.head_m, flows.flow_lph, strict=True
        )
    )
    sums = _plant_sums(network, flows.flow_lph)
    # How even it is follows from what passes the high places of the lines, not from the full lines solved.
    passes = np.where(level_m > sills_m(network), flows.flow_lph, 0.0)
    passed = _plant_sums(network, passes)
    stops_m = made.worst_stop_m if made.worst_stop_m <= stage.brim_level_m else None
    values = np.array(list(passed.values()))
    flowing = float(values.sum()) > 0.0
    total = float(flows.total_lph)
    return ZoneSurvey(
        id=zone.id,
        flow_lph=total,
        emitters=emitters,
        plants=tuple(PlantSurvey(plant, flow) for plant, flow in sums.items()),
        du_low_quarter=du_low_quarter(values) if flowing else None,
        worst_emitter_stops_m=stops_m,
        dead_storage_l=stage.volume_l(stops_m) if stops_m is not None else None,
        prime_volume_l=network.line_volume_l * zone.emptied_share,
        levels=zone_levels(model, zone.id),
        budgets=head_budgets(site, zone, network, flows),
        air=air_places(network, flows),
        emission=_emission(zone, passed) if flowing else None,
        statistical=statistical_uniformity(values) if flowing and len(values) > 1 else None,
        du_emitters=du_low_quarter(passes) if passes.any() else None,
        du_wanted=_per_litre_wanted(site, passed),
        prime_s=made.prime(level_m).fill_s if total > 0.0 else None,
        link_gap_m=link_offset_m(site.tank, total, level_m),
        cold_share=_at_temperature(network, level_m, COLD_C, total),
        warm_share=_at_temperature(network, level_m, WARM_C, total),
        laterals=tuple(
            limit for line in zone.lines if (limit := longest_lateral(site, zone, line, level_m)) is not None
        ),
    )


def _plant_sums(network: Network, flow_lph: Array) -> dict[str, float]:
    """What all emitters of each plant give together (L/h)."""
    sums: dict[str, float] = {}
    for plant, flow in zip(network.emitter_plant, flow_lph.tolist(), strict=True):
        if plant is not None:
            sums[plant] = sums.get(plant, 0.0) + flow
    return sums


def _emission(zone: Zone, sums: Mapping[str, float]) -> float:
    """EU of the plants' sums, with the mean spread as made and the mean count of emitters at a plant."""
    fed = [e for e in zone.emitters if e.plant is not None]
    spread = float(np.mean([e.spread for e in fed]))
    each = max(1, round(len(fed) / len(sums)))
    return emission_uniformity(np.array(list(sums.values())), variation=spread, per_plant=each)


def _at_temperature(network: Network, level_m: float, temperature_c: float, total_lph: float) -> float | None:
    """Flow at a water temperature over that at 20 degC: the lines' friction only, no emitter's own change."""
    if total_lph <= 0.0:
        return None
    return float(solve(network, level_m, temperature_c=temperature_c).total_lph) / total_lph


def _level_findings(site: Site, level_m: float, stage: StageStorage) -> list[str]:
    if level_m > stage.brim_level_m:
        brim = show_height(stage.brim_level_m, site.units)
        asked = show_height(level_m, site.units)
        return [f"The barrels overflow at {brim} above the outlet; {asked} cannot be reached."]
    return []


def _zone_findings(site: Site, zone: Zone, seen: ZoneSurvey, level_m: float) -> list[str]:
    at = f"at {show_height(level_m, site.units)} above the outlet"
    found = [
        f"Zone {zone.name}: {site.plant(p.id).name} gets no water {at}."
        for p in seen.plants
        if p.flow_lph < REACHED_LPH
    ]
    dry_plants = {p.id for p in seen.plants if p.flow_lph < REACHED_LPH}
    dry_heads = [e.head_m for e in seen.emitters if e.flow_lph < REACHED_LPH]
    if dry_heads:
        missing = show_height(max(0.0, -min(dry_heads)), site.units)
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
            f"{show_height(seen.worst_emitter_stops_m, site.units)}; the "
            f"{show_volume(seen.dead_storage_l, site.units)} below that cannot water it."
        )
    fair = seen.du_wanted
    if fair is not None and fair < POOR_DU:
        found.append(
            f"Zone {zone.name}: for what each wants on a strong summer day, the least served quarter of its "
            f"plants gets {show_share(fair)} of the mean {at}"
            f"{'; see to the dry ones first.' if dry_heads else '; trim the emitters.'}"
        )
    return found + _line_findings(site, zone, seen) + _curve_findings(zone, seen)


def _per_litre_wanted(site: Site, sums: Mapping[str, float]) -> float | None:
    """Low-quarter uniformity of flow for each litre wanted; None where nothing flows or nothing is wanted."""
    wants = midsummer_wants(site)
    ratios = np.array([flow / wants[plant] for plant, flow in sums.items() if wants[plant] > 0.0])
    return du_low_quarter(ratios) if ratios.size and float(ratios.sum()) > 0.0 else None


def _line_findings(site: Site, zone: Zone, seen: ZoneSurvey) -> list[str]:
    """What starves before the barrels are empty, what air locks, and joints too thin for the draw."""
    found = []
    dry = {p.id for p in seen.plants if p.flow_lph < REACHED_LPH}
    for place in seen.air:
        if dry.issuperset(place.cut_off):
            continue  # said already
        names = ", ".join(site.plant(p).name for p in place.cut_off)
        where = f"Zone {zone.name}: line {place.line} at {show_length(place.at_m, site.units)}"
        if place.blocks:
            found.append(
                f"{where} stands {show_height(place.over_water_m, site.units)} above the water: none passes, "
                f"so nothing reaches {names} beyond it. Lay it lower."
            )
        else:
            found.append(
                f"{where} stands {show_height(place.over_grade_m, site.units)} above the hydraulic grade "
                f"line: air gathers there and may shut off {names}. Lay it lower."
            )
    if seen.link_gap_m > THIN_LINK_M:
        found.append(
            f"Zone {zone.name}: the joints between the barrels are thin for its draw: the barrel at the "
            f"outlet stands {show_height(seen.link_gap_m, site.units)} below the mean while it runs."
        )
    return found


def _curve_findings(zone: Zone, seen: ZoneSurvey) -> list[str]:
    """Emitters asked outside the heads in which their curve was measured."""
    heads, flows = {e.id: e.head_m for e in seen.emitters}, {e.id: e.flow_lph for e in seen.emitters}
    outside = outside_measured(zone, heads, flows)
    if not outside:
        return []
    return [
        f"Zone {zone.name}: outside the heads at which they were measured: {some_of(outside)}; test them at "
        "this head."
    ]


def outside_measured(
    zone: Zone, heads_m: Mapping[str, float], flows_lph: Mapping[str, float]
) -> tuple[str, ...]:
    """Emitters that give water at a head outside that of their measured curve; heads and flows by id."""
    return tuple(
        e.id for e in zone.emitters if flows_lph[e.id] >= REACHED_LPH and not _measured_at(e, heads_m[e.id])
    )


def some_of(names: Sequence[str]) -> str:
    """The first few of a list."""
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _measured_at(emitter: Emitter, head_m: float) -> bool:
    """True too where no range is given: nothing is then known to be outside."""
    if emitter.head_min_m is not None and head_m < emitter.head_min_m - READ_TO_M:
        return False
    return emitter.head_max_m is None or head_m <= emitter.head_max_m + READ_TO_M


def _unfed(site: Site) -> list[str]:
    fed = {e.plant for zone in site.zones for e in zone.emitters}
    return [f"{plant.name} has no emitter." for plant in site.plants if plant.id not in fed]
