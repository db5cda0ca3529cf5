"""Runs split into openings with pauses, where the ground under a plant takes water in more slowly than it
comes: what would stand and run off soaks in between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf

from scheduler.agronomy.intake import longest_at_once_s, pause_s, pulses
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import PlannedRun, Reason
from scheduler.planning.sizing import occupied_s
from scheduler.planning.windows import WindowSpan
from scheduler.site.catalogue import SOILS
from scheduler.site.showing import show_duration, show_rain


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
        longest = longest_at_once_s(float(flows[mine].max()), plant.canopy_m2 / float(mine.sum()), intake)
        if longest < found.run_s:
            found = AtOnce(longest, pause_s(intake), plant_id)
    return found


def with_pauses(
    model: GardenModel,
    runs: Sequence[PlannedRun],
    spans: Sequence[WindowSpan],
    factors: dict[str, float],
    rest_s: float,
) -> tuple[PlannedRun, ...]:
    """The runs of a day, each in as many openings as its ground needs: the first at the run's own time, the
    others after all first ones, ``rest_s`` apart at least, as far as the day's windows reach.

    Runs are sized one after the other as whole ones, so water kept for a later opening is not given away.
    """
    firsts: list[PlannedRun] = []
    waiting: list[tuple[PlannedRun, datetime, float]] = []
    for run in runs:
        bound = at_once(model, run.zone, run.level_start_m, factors.get(run.zone, 1.0))
        split = pulses(run.run_s, bound.run_s, bound.soak_s)
        if split.count == 1:
            firsts.append(run)
            continue
        parts = [_part(run, n, split.count) for n in range(1, split.count + 1)]
        reason = _soaks_in(model, bound, split.count, split.pulse_s)
        firsts.append(replace(parts[0], reasons=(*parts[0].reasons, reason)))
        after = run.start + timedelta(seconds=_whole_s(model, parts[0]) + split.pause_s)
        waiting += [(part, after, split.pause_s) for part in parts[1:]]
    return (*firsts, *_later(model, firsts, waiting, spans, rest_s))


def _later(
    model: GardenModel,
    firsts: Sequence[PlannedRun],
    waiting: Sequence[tuple[PlannedRun, datetime, float]],
    spans: Sequence[WindowSpan],
    rest_s: float,
) -> list[PlannedRun]:
    """The second and further openings, one after the other; those that no window takes are left for another
    day: what they would have brought stays wanted."""
    if not waiting:
        return []
    cursor = max(r.start + timedelta(seconds=_whole_s(model, r) + rest_s) for r in firsts)
    soaked: dict[str, datetime] = {}
    placed: list[PlannedRun] = []
    for part, after, soak_s in sorted(waiting, key=lambda w: (w[0].pulse, w[1])):
        whole = timedelta(seconds=_whole_s(model, part))
        ready = max(cursor, soaked.get(part.zone, after))
        start = next((max(ready, s.start) for s in spans if max(ready, s.start) + whole <= s.end), None)
        if start is None:
            continue
        placed.append(replace(part, start=start))
        soaked[part.zone] = start + whole + timedelta(seconds=soak_s)
        cursor = start + whole + timedelta(seconds=rest_s)
    return placed


def _whole_s(model: GardenModel, run: PlannedRun) -> float:
    return occupied_s(model.zones[run.zone].zone.valve, run.run_s)


def _part(run: PlannedRun, number: int, count: int) -> PlannedRun:
    """One of the equal parts of a run; its levels are those of the whole one's fall, in steps."""
    fall_m = (run.level_start_m - run.level_end_m) / count
    return replace(
        run,
        run_s=run.run_s / count,
        volume_l=run.volume_l / count,
        shares=tuple(replace(s, given_l=s.given_l / count) for s in run.shares),
        level_start_m=run.level_start_m - (number - 1) * fall_m,
        level_end_m=run.level_start_m - number * fall_m,
        pulse=number,
        pulses=count,
    )


def _soaks_in(model: GardenModel, bound: AtOnce, count: int, pulse_s: float) -> Reason:
    plant = model.site.plant(bound.plant or "")
    intake = SOILS[plant.soil or ""].intake_mm_h
    takes = f"{show_rain(intake, model.site.units)} an hour"
    text = (
        f"In {count} openings of about {show_duration(pulse_s)} with {show_duration(bound.soak_s)} between "
        f"them: the ground under {plant.name} takes in {takes}, and more at once would run off."
    )
    return Reason("soaks_in", text, (("openings", float(count)), ("pause_s", bound.soak_s)))
