"""One zone's run time from the present level: the time that serves its plants best.

A zone has one run time T, its plants have targets w_j of their own. With g_j(T) the litres of plant j, the
miss is e_j = (g_j - w_j) / s_j, and the largest miss is least where the most over-served and the most
under-served plant miss by the same: max e + min e = 0. With s_j = w_j that is max r + min r = 2, r = g / w.

A plant that wants next to nothing (it has just been rained on) would, with s_j = w_j, weigh more than one
that is dry. So s_j is at least ``SCALE_FLOOR`` of the litres at which the plant falls due, where the need
says them. And no plant gets more than ``OVER_MAX`` too much for another's sake: what runs past the roots
helps nobody.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.intake import SHORTEST_PULSE_S
from scheduler.hydraulics.priming import Priming
from scheduler.planning import words
from scheduler.planning.garden import GardenModel, RunsFrom, ZoneModel
from scheduler.planning.holding import held_back, stops_words, stops_zone
from scheduler.planning.plan import PlannedRun, PlantShare, Reason, ReasonCode, SkippedZone
from scheduler.planning.reach import hardly_reached
from scheduler.site.model import DAILY_OPENINGS, Valve

if TYPE_CHECKING:
    from scheduler.agronomy.need import PlantNeed

Array = NDArray[np.float64]

# Least scale of a miss, as a share of the litres at which the plant falls due (a choice of this project).
SCALE_FLOOR = 0.25
# Largest miss on the side of too much, in the same measure (a choice of this project).
OVER_MAX = 0.5
# A run time is settled to this.
RUN_TOLERANCE_S = 0.2
STEPS_MAX = 60
# Less than a millilitre is no want.
LEAST_WANT_L = 0.001
# A plant whose steady flow is below this has no water at that level, L/h.
FLOW_LEAST_LPH = 1e-3
# Levels are compared to this; far below what any sensor tells.
LEVEL_TOLERANCE_M = 1e-6


def occupied_s(valve: Valve, run_s: float) -> float:
    """Seconds from the start of opening to shut, for ``run_s`` seconds fully open.

    Flow is taken to rise and fall evenly over the travel, so half of each travel counts as open.
    """
    return run_s + (valve.opening_s + valve.closing_s) / 2.0


@dataclass(frozen=True, slots=True)
class _Bound:
    """The longest run that something allows."""

    run_s: float
    code: ReasonCode


def size_run(
    model: GardenModel,
    zone_id: str,
    *,
    start: datetime,
    level_m: float,
    targets_l: Mapping[str, float],
    needs: Mapping[str, PlantNeed] | None = None,
    flow_factor: float = 1.0,
    longest_open_s: float,
    at_once_s: float = math.inf,
    latest_end: datetime | None = None,
    floor_margin_m: float = 0.0,
) -> PlannedRun | SkippedZone:
    """The run that serves ``targets_l`` (litres by plant) best from ``level_m``, or why there is none.

    Bounded by the zone's floor (reserve, or the level at which its worst emitter stops) plus
    ``floor_margin_m`` for what the level is not known to, by what the node allows (``longest_run``; the run
    is split where it is longer than ``at_once_s``), and by ``latest_end``. With ``needs`` small wants weigh
    less (module text) and the shares carry their reasons.
    """
    zone = model.zones[zone_id]
    asked = np.array([targets_l.get(plant, 0.0) for plant in zone.plants])
    wanted = np.where(asked >= LEAST_WANT_L, asked, 0.0)
    if not np.any(wanted):
        return SkippedZone(zone_id, (words.nothing_wanted(),))
    reached = (wanted > 0.0) & (zone.plant_flows_lph(level_m) > FLOW_LEAST_LPH)
    if not np.any(reached):
        return SkippedZone(zone_id, (words.nothing_reaches(model.site.units, level_m),))
    served = reached & ~hardly_reached(model, zone_id, level_m)
    # Where none but a plant that is hardly reached asks, the run is for it.
    reached = served if np.any(served) else reached
    floor_m = model.floor_level_m(zone_id) + floor_margin_m
    code = _floor_code(model, zone)
    runs = RunsFrom(model, zone_id, level_m, flow_factor)
    floor_run_s = _floor_run_s(model, zone, runs, level_m, floor_m, flow_factor)
    if floor_run_s <= 0.0:
        return SkippedZone(zone_id, (below_floor(model, zone_id, level_m, floor_margin_m),))
    valve = zone.zone.valve
    bounds = [_Bound(floor_run_s, code), _Bound(*longest_run(valve, longest_open_s, at_once_s))]
    if latest_end is not None:
        bounds.append(_Bound((latest_end - start).total_seconds() - occupied_s(valve, 0.0), "window"))
    bound = min(bounds, key=lambda b: b.run_s)
    if bound.run_s <= 0.0:
        return SkippedZone(zone_id, (words.no_window(),))
    scale_l = _scales(zone, wanted, needs)
    scale, target = scale_l[reached], wanted[reached]

    def excess(run_s: float) -> float:
        given = runs.litres(run_s)[0][reached]
        miss = (given - target) / scale
        most = float(miss.max())
        return max(most + float(miss.min()), most - OVER_MAX)

    run_s, cut = _root(excess, bound.run_s, _first_guess_s(zone, level_m, reached, target, flow_factor))
    run = _planned(
        model,
        runs,
        zone,
        start,
        level_m,
        run_s,
        flow_factor,
        wanted,
        needs,
        bound if cut else None,
        floor_margin_m,
    )
    held = () if cut else held_back(model, run, reached, scale_l, OVER_MAX)
    return replace(run, reasons=(*run.reasons, *held)) if held else run


def below_floor(model: GardenModel, zone_id: str, level_m: float, margin_m: float = 0.0) -> Reason:
    """That the water stands too low for a zone."""
    floor_m = model.floor_level_m(zone_id) + margin_m
    code = _floor_code(model, model.zones[zone_id])
    stops = stops_zone(model, zone_id, level_m - margin_m) if code == "worst_emitter" else None
    dry = stops[0] if stops is not None else model.zones[zone_id].first_dry
    names = [model.site.plant(p).name for p in dry]
    without = stops_words(model, *stops) if stops is not None else ""
    units = model.site.units
    return words.no_room(units, code, level_m=level_m, floor_m=floor_m, names=names, without=without)


def _floor_code(model: GardenModel, zone: ZoneModel) -> ReasonCode:
    """What ends a zone's runs as the level falls."""
    return "reserve" if model.reserve_level_m >= zone.worst_stop_m else "worst_emitter"


def longest_run(valve: Valve, longest_open_s: float, at_once_s: float = math.inf) -> tuple[float, ReasonCode]:
    """The longest run of a day that the node allows, and by which of its limits.

    One opening; where the ground takes in no more than ``at_once_s`` of it at once, as many as the node's day
    has time for (module ``soaking``), for then each of them is shorter. Less the travel of each.
    """
    travel_s = valve.opening_s + valve.closing_s
    opening_s = longest_open_s - travel_s
    if max(at_once_s, 2.0 * SHORTEST_PULSE_S) >= opening_s:  # no opening of a split run is longer than that
        return opening_s, "longest_open"
    day_s, pulse_s = DAILY_OPENINGS * longest_open_s, max(at_once_s, SHORTEST_PULSE_S)
    count = day_s // (pulse_s + travel_s)
    return max(count * pulse_s, day_s - (count + 1.0) * travel_s), "longest_day"


def _floor_run_s(
    model: GardenModel, zone: ZoneModel, runs: RunsFrom, level_m: float, floor_m: float, flow_factor: float
) -> float:
    """The run after which the level stands at ``floor_m``; 0 when it stands there already."""
    held_l = model.stage.volume_l(level_m)
    room_l = held_l - model.stage.volume_l(floor_m)
    if level_m - floor_m <= LEVEL_TOLERANCE_M or room_l <= 0.0:
        return 0.0
    prime = runs.prime
    taken_l = max(0.0, float(prime.drained_l.sum() - flow_factor * prime.missing_l.sum()))
    if taken_l >= room_l:
        return 0.0
    start_m = zone.outlet_level_m(model.stage.level_m(held_l - taken_l))
    end_m = zone.outlet_level_m(floor_m)
    try:
        run_s = zone.drawdown.run_to_level(start_m, end_m, flow_factor=flow_factor).run_s
    except ValueError:  # the zone stops of itself above its floor
        return math.inf
    # Below the filling time the lines fill only in part: settle on the safe side.
    for _ in range(STEPS_MAX):
        if run_s <= 0.0 or runs.litres(run_s)[2] >= floor_m:
            break
        run_s = run_s * (1.0 - 1e-6) - 1e-3
    return max(0.0, run_s)


def _scales(zone: ZoneModel, wanted: Array, needs: Mapping[str, PlantNeed] | None) -> Array:
    if needs is None:
        return wanted
    at_due = np.zeros_like(wanted)
    for i, plant in enumerate(zone.plants):
        need = needs.get(plant)
        if need is not None and need.overdue > 0.0:
            at_due[i] = need.wanted_l / need.overdue
    return np.maximum(wanted, SCALE_FLOOR * at_due)


def _first_guess_s(
    zone: ZoneModel, level_m: float, reached: NDArray[np.bool_], target: Array, flow_factor: float
) -> float:
    """T = 2 / (max q/w + min q/w): exact when nothing falls and nothing fills."""
    rates = zone.plant_flows_lph(level_m)[reached] * flow_factor / target
    return 2.0 * 3600.0 / float(rates.max() + rates.min())


def _root(excess: Callable[[float], float], most_s: float, guess_s: float) -> tuple[float, bool]:
    """Where the rising ``excess`` passes zero in 0..``most_s``; True when it is still below zero at the end.

    Secant steps kept inside the bracket (Illinois form of false position).
    """
    low_s, low = 0.0, -1.0
    high_s = min(guess_s, most_s)
    high = excess(high_s)
    while high < 0.0 and high_s < most_s:
        low_s, low = high_s, high
        high_s = min(1.25 * high_s + 1.0, most_s)
        high = excess(high_s)
    if high < 0.0:
        return most_s, True
    side = 0
    for _ in range(STEPS_MAX):
        if high_s - low_s <= RUN_TOLERANCE_S:
            break
        mid_s = low_s + (high_s - low_s) * low / (low - high)
        # A step that hugs an end leaves the bracket wide: go in from it by the tolerance.
        mid_s = min(max(mid_s, low_s + 0.4 * RUN_TOLERANCE_S), high_s - 0.4 * RUN_TOLERANCE_S)
        mid = excess(mid_s)
        if mid == 0.0:
            return mid_s, False
        if mid < 0.0:
            low_s, low = mid_s, mid
            high = high / 2.0 if side == -1 else high
            side = -1
        else:
            high_s, high = mid_s, mid
            low = low / 2.0 if side == 1 else low
            side = 1
    return low_s, False


def _planned(
    model: GardenModel,
    runs: RunsFrom,
    zone: ZoneModel,
    start: datetime,
    level_m: float,
    run_s: float,
    flow_factor: float,
    wanted: Array,
    needs: Mapping[str, PlantNeed] | None,
    bound: _Bound | None,
    margin_m: float,
) -> PlannedRun:
    given, volume_l, level_end_m = runs.litres(run_s)
    shares = tuple(
        _share(model, zone.zone.id, plant, float(w), float(g), needs)
        for plant, w, g in zip(zone.plants, wanted, given, strict=True)
    )
    total = float(wanted.sum())
    share = float(np.minimum(given, wanted).sum()) / total
    reasons = _reasons(model, zone, runs.prime, level_m, run_s, flow_factor, volume_l, level_end_m)
    if bound is not None:
        reasons.append(_bound_reason(model, zone, bound, share, margin_m))
    return PlannedRun(zone.zone.id, start, run_s, volume_l, level_m, level_end_m, shares, tuple(reasons))


def _reasons(
    model: GardenModel,
    zone: ZoneModel,
    prime: Priming,
    level_m: float,
    run_s: float,
    flow_factor: float,
    volume_l: float,
    level_end_m: float,
) -> list[Reason]:
    units = model.site.units
    flow_lph = float(zone.curve.total_lph(zone.outlet_level_m(level_m))) * flow_factor
    reasons = [
        words.run_time(
            units, level_m=level_m, flow_lph=flow_lph, run_s=run_s, volume_l=volume_l, level_end_m=level_end_m
        )
    ]
    if prime.fill_s >= 1.0:
        missing_l = float(prime.missing_l.sum()) * flow_factor
        reasons.append(words.prime_time(units, fill_s=float(prime.fill_s), missing_l=missing_l))
    if abs(flow_factor - 1.0) >= words.FLOW_WORTH_SAYING:
        reasons.append(words.flow_corrected(flow_factor))
    return reasons


def _bound_reason(
    model: GardenModel, zone: ZoneModel, bound: _Bound, share: float, margin_m: float
) -> Reason:
    if bound.code == "longest_open":
        return words.longest_open(bound.run_s, share)
    if bound.code == "longest_day":
        return words.longest_day(bound.run_s, share)
    if bound.code == "window":
        return words.window_cut(bound.run_s, share)
    floor_m = model.floor_level_m(zone.zone.id)
    return words.floor(model.site.units, bound.code, floor_m=floor_m, margin_m=margin_m, share=share)


def _share(
    model: GardenModel,
    zone_id: str,
    plant: str,
    wanted_l: float,
    given_l: float,
    needs: Mapping[str, PlantNeed] | None,
) -> PlantShare:
    need = needs.get(plant) if needs is not None else None
    if need is None:
        return PlantShare(plant, zone_id, wanted_l, given_l, due=wanted_l > 0.0)
    name = model.site.plant(plant).name
    reasons: tuple[Reason, ...]
    if need.due:
        reasons = (words.due(model.site.units, need, name),)
    else:
        reasons = (words.plant_not_due(model.site.units, need, name), words.served_with_zone(name))
    return PlantShare(plant, zone_id, wanted_l, given_l, need.due, reasons)
