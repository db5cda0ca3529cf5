"""The openings of a run between which its water soaks in: which of them is next, and what is left."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import date, timedelta

from scheduler.control.state import State, Turn
from scheduler.planning.plan import Plan, PlannedRun
from scheduler.planning.soaking import Begun


def opening(run: PlannedRun) -> str:
    """What ``zones_done`` knows of a run: its zone, or its zone and which of several openings it is."""
    return run.zone if run.pulses == 1 else f"{run.zone} {run.pulse}"


def next_run(state: State) -> PlannedRun | None:
    """The planned opening that comes first of those not tried yet."""
    runs = state.plan.runs if state.plan is not None else ()
    return min((r for r in runs if opening(r) not in state.zones_done), key=lambda r: r.start, default=None)


def tried_again(state: State, zone: str) -> frozenset[str]:
    """``zones_done`` without the zone's last opening: its order opened nothing, or too little."""
    runs = state.plan.runs if state.plan is not None else ()
    mine = [r for r in runs if r.zone == zone and opening(r) in state.zones_done]
    last = max(mine, key=lambda r: r.pulse, default=None)
    return state.zones_done - ({opening(last)} if last is not None else {zone})


def none_left(state: State, zone: str) -> frozenset[str]:
    """``zones_done`` with every opening of the zone: nothing is wanted there any more."""
    runs = state.plan.runs if state.plan is not None else ()
    return state.zones_done | {opening(r) for r in runs if r.zone == zone}


def begun(plan: Plan | None, zones_done: Collection[str], day: date) -> dict[str, Begun]:
    """Zones that had some of that day's openings, not all: how many, and when the next may be."""
    if plan is None or plan.day != day:
        return {}
    left: dict[str, list[PlannedRun]] = {}
    for run in plan.runs:
        if opening(run) not in zones_done:
            left.setdefault(run.zone, []).append(run)
    found: dict[str, Begun] = {}
    for zone, runs in left.items():
        first = min(runs, key=lambda r: r.pulse)
        rest = {
            s.plant: sum(o.given_l for r in runs for o in r.shares if o.plant == s.plant)
            for s in first.shares
        }
        if first.pulse > 1:
            found[zone] = Begun(first.pulse - 1, first.start, rest)
    return found


def put_later_back(turn: Turn, run: PlannedRun) -> None:
    """An opening that began late, or is longer than planned, puts the zone's further ones back: the water has
    its time to soak in."""
    plan, ordered = turn.state.plan, next((h.intent for h in turn.state.intents), None)
    if plan is None or ordered is None or run.pulse == run.pulses:
        return
    open_s = ordered.order.open_ms / 1000.0
    late = turn.now.wall - run.start + timedelta(seconds=max(0.0, open_s - run.run_s))
    # It is planned for now from here on: where its order opens nothing, the next try is late by what it adds.
    tried = replace(run, start=turn.now.wall, run_s=max(run.run_s, open_s))
    runs = (tried if opening(r) == opening(run) else _put_back(r, run, late) for r in plan.runs)
    turn.change(plan=replace(plan, runs=tuple(runs)))


def _put_back(other: PlannedRun, run: PlannedRun, late: timedelta) -> PlannedRun:
    later = other.zone == run.zone and other.pulse > run.pulse
    return replace(other, start=other.start + late) if later else other
