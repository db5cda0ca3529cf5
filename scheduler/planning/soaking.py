"""Runs split into openings with pauses, where the ground under a plant takes water in more slowly than it
comes: what would stand and run off soaks in between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf

from scheduler.agronomy.intake import Pulses, longest_at_once_s, pause_s, pulses, surface_on_mm
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import PlannedRun, Reason
from scheduler.planning.sizing import LEVEL_TOLERANCE_M, occupied_s
from scheduler.planning.windows import WindowSpan
from scheduler.site.catalogue import SOILS
from scheduler.site.showing import show_duration, show_rain


@dataclass(frozen=True, slots=True)
class Begun:
    """A run of which some openings are over today, from when on the next may be, soaked in by then, and the
    litres by plant that the others were to bring."""

    openings: int
    next_from: datetime
    rest_l: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AtOnce:
    """How long a zone may run at once, and then has to soak; ``plant`` is the one whose ground bounds it."""

    run_s: float
    soak_s: float
    plant: str | None = None


def at_once(model: GardenModel, zone_id: str, level_m: float, flow_factor: float = 1.0) -> AtOnce:
    """The bound of the zone's slowest ground at that level; none where all of it takes what comes.

    A plant's basin is its canopy, shared by its emitters. Containers drain below and are not bounded.
    """
    zone = model.zones[zone_id]
    flows = zone.curve.flows_lph(zone.outlet_level_m(level_m)) * flow_factor
    found = AtOnce(inf, 0.0)
    for row, plant_id in enumerate(zone.plants):
        plant = model.site.plant(plant_id)
        soil = SOILS.get(plant.soil or "")
        if plant.container_l is not None or soil is None:
            continue
        mine = zone.plant_rows[row] > 0.0
        intake = soil.intake_mm_h
        surface = surface_on_mm(intake)
        basin_m2 = plant.canopy_m2 / float(mine.sum())
        longest = longest_at_once_s(float(flows[mine].max()), basin_m2, intake, surface_mm=surface)
        if longest < found.run_s:
            found = AtOnce(longest, pause_s(intake, surface_mm=surface), plant_id)
    return found


def with_pauses(
    model: GardenModel,
    runs: Sequence[PlannedRun],
    spans: Sequence[WindowSpan],
    factors: Mapping[str, float],
    rest_s: float,
    begun: Mapping[str, Begun] | None = None,
    floor_margin_m: float = 0.0,
) -> tuple[PlannedRun, ...]:
    """The runs of a day, each in as many openings as its ground needs: the first at the run's own time, the
    others after all first ones, ``rest_s`` apart at least, as far as the day's windows reach.

    Runs are sized one after the other as whole ones, so water kept for a later opening is not given away;
    where a later opening would still find the level below its zone's floor (``floor_margin_m`` above it), no
    run is split. ``begun``: zones whose run is the rest of one that had some openings already; they go on
    counting.
    """
    firsts: list[PlannedRun] = []
    waiting: list[_Waiting] = []
    for run in runs:
        bound = at_once(model, run.zone, run.level_start_m, factors.get(run.zone, 1.0))
        split = pulses(run.run_s, bound.run_s, bound.soak_s)
        before = begun.get(run.zone) if begun is not None else None
        if split.count == 1 and before is None:
            firsts.append(run)
            continue
        parts = _parts(model, run, bound, split, before.openings if before is not None else 0)
        after = before.next_from if before is not None else run.start
        if before is None:
            firsts.append(parts.pop(0))
            after += timedelta(seconds=_whole_s(model, firsts[-1]) + split.pause_s)
        waiting += [_Waiting(part, after, bound.soak_s) for part in parts]
    if not waiting:
        return tuple(runs)
    placed = _later(model, firsts, waiting, spans, rest_s)
    leads = {r.zone: r for r in reversed(placed)} | {r.zone: r for r in firsts}
    cut = (_as_cut(r, waiting, placed) if r is leads[r.zone] else r for r in (*firsts, *placed))
    every = _in_turn(model, [*cut])
    floors = {r.zone: model.floor_level_m(r.zone) + floor_margin_m for r in runs}
    return every if all(r.level_end_m >= floors[r.zone] - LEVEL_TOLERANCE_M for r in every) else tuple(runs)


def _as_cut(first: PlannedRun, waiting: Sequence[_Waiting], placed: Sequence[PlannedRun]) -> PlannedRun:
    """The first opening of a zone from now on, saying so where some of the later ones find no window."""
    left = sum(w.part.zone == first.zone for w in waiting) - sum(r.zone == first.zone for r in placed)
    if not left:
        return first
    text = (
        f"{left} of {first.pulses} openings find no window today; what they would have brought stays wanted."
    )
    return replace(first, reasons=(*first.reasons, Reason("window", text, (("left_out", float(left)),))))


def _in_turn(model: GardenModel, runs: Sequence[PlannedRun]) -> tuple[PlannedRun, ...]:
    """The openings by their start, the level falling from one to the next."""
    level_m = max((r.level_start_m for r in runs), default=0.0)
    found = []
    for run in sorted(runs, key=lambda r: r.start):
        end_m = model.stage.level_m(model.stage.volume_l(level_m) - run.volume_l)
        found.append(replace(run, level_start_m=level_m, level_end_m=end_m))
        level_m = end_m
    return tuple(found)


def whole_runs(runs: Sequence[PlannedRun]) -> tuple[PlannedRun, ...]:
    """One run a zone: all its openings as if there were no pauses, from the start of the first."""
    found: dict[str, PlannedRun] = {}
    for run in sorted(runs, key=lambda r: r.start):
        first = found.get(run.zone)
        found[run.zone] = run if first is None else _joined(first, run)
    return tuple(found.values())


def _joined(first: PlannedRun, later: PlannedRun) -> PlannedRun:
    given = {s.plant: s.given_l for s in later.shares}
    return replace(
        first,
        run_s=first.run_s + later.run_s,
        volume_l=first.volume_l + later.volume_l,
        level_end_m=later.level_end_m,
        shares=tuple(replace(s, given_l=s.given_l + given.get(s.plant, 0.0)) for s in first.shares),
    )


@dataclass(frozen=True, slots=True)
class _Waiting:
    """An opening without a time yet: after that instant, and so long before the zone's next."""

    part: PlannedRun
    after: datetime
    soak_s: float


def _later(
    model: GardenModel,
    firsts: Sequence[PlannedRun],
    waiting: Sequence[_Waiting],
    spans: Sequence[WindowSpan],
    rest_s: float,
) -> list[PlannedRun]:
    """The second and further openings, one after the other; those that no window takes are left for another
    day: what they would have brought stays wanted."""
    ends = [r.start + timedelta(seconds=_whole_s(model, r) + rest_s) for r in firsts]
    cursor = max(ends, default=min(w.part.start for w in waiting))
    soaked: dict[str, datetime] = {}
    placed: list[PlannedRun] = []
    for wait in sorted(waiting, key=lambda w: (w.part.pulse, w.after)):
        zone, whole = wait.part.zone, timedelta(seconds=_whole_s(model, wait.part))
        ready = max(cursor, soaked.get(zone, wait.after))
        start = next((max(ready, s.start) for s in spans if max(ready, s.start) + whole <= s.end), None)
        if start is None:
            continue
        placed.append(replace(wait.part, start=start))
        soaked[zone] = start + whole + timedelta(seconds=wait.soak_s)
        cursor = start + whole + timedelta(seconds=rest_s)
    return placed


def _whole_s(model: GardenModel, run: PlannedRun) -> float:
    return occupied_s(model.zones[run.zone].zone.valve, run.run_s)


def _parts(model: GardenModel, run: PlannedRun, bound: AtOnce, split: Pulses, over: int) -> list[PlannedRun]:
    """The equal parts of a run, ``over`` openings of it being over, and why in the first of them."""
    parts = [
        replace(
            run,
            run_s=split.pulse_s,
            volume_l=run.volume_l / split.count,
            shares=tuple(replace(s, given_l=s.given_l / split.count) for s in run.shares),
            pulse=over + n + 1,
            pulses=over + split.count,
        )
        for n in range(split.count)
    ]
    reason = _soaks_in(model, bound, split, over)
    return [replace(parts[0], reasons=(*run.reasons, reason)), *parts[1:]]


def _soaks_in(model: GardenModel, bound: AtOnce, split: Pulses, over: int) -> Reason:
    figures = (("openings", float(split.count)), ("pause_s", bound.soak_s))
    plant = model.site.plant(bound.plant) if bound.plant is not None else None
    if plant is None:  # none of the ground bounds it any more: the garden was changed meanwhile
        return Reason("soaks_in", f"The rest of today's water, after {over} openings.", figures)
    takes = f"{show_rain(SOILS[plant.soil or ''].intake_mm_h, model.site.units)} an hour"
    openings = f"In {split.count} openings" if split.count > 1 else "In one opening"
    rest = f", after {over} earlier today" if over else ""
    text = (
        f"{openings} of about {show_duration(split.pulse_s)}{rest}, with {show_duration(bound.soak_s)} "
        f"between openings: the ground under {plant.name} takes in {takes}, and more at once would run off."
    )
    return Reason("soaks_in", text, figures)
