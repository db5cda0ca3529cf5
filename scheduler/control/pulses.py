"""The openings of a run between which its water soaks in: which of them is next, and what is left."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.control.state import Saved, State, Turn
from scheduler.planning.plan import Plan, PlannedRun
from scheduler.planning.soaking import Begun


def opening(run: PlannedRun) -> str:
    """What ``zones_done`` knows of a run: its zone, or its zone and which of several openings it is."""
    return run.zone if run.pulses == 1 else f"{run.zone} {run.pulse}"


def next_run(state: State) -> PlannedRun | None:
    """The planned opening that comes first of those not tried yet."""
    if state.plan is None or not state.plan.runs:
        return None
    return min(
        (r for r in state.plan.runs if opening(r) not in state.zones_done),
        key=lambda r: r.start,
        default=None,
    )


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


def begun(state: State, day: date) -> dict[str, Begun]:
    """Zones that had some of that day's openings, not all: how many, and when the next may be. A plan made
    while a zone was held, or had no level, does not end what was begun before."""
    before = state.rests[1] if state.rests is not None and state.rests[0] == day else {}
    return _still_begun(before, state.plan, state.zones_done, day)


def begun_before_start(saved: Saved, day: date) -> dict[str, Begun]:
    """The same after a start of the service, by the plans and orders on record: each opening of a zone is the
    next one of the plan of its time."""
    found: dict[str, Begun] = {}
    following = [*(p.made_at for p in saved.plans[1:]), None]
    for plan, until in zip(saved.plans, following, strict=False):
        done: set[str] = set()
        for opened in saved.opened:
            if opened.at < plan.made_at or (until is not None and opened.at >= until):
                continue
            left = (r for r in plan.runs if r.zone == opened.zone and opening(r) not in done)
            run = min(left, key=lambda r: r.pulse, default=None)
            if run is not None:
                done.add(opening(run))
                plan = _begun_at(plan, run, opened.at, opened.open_s)
        found = _still_begun(found, plan, done, day)
    return found


def _still_begun(
    before: Mapping[str, Begun], plan: Plan | None, zones_done: Collection[str], day: date
) -> dict[str, Begun]:
    """What was begun ``before`` the plan and had no further opening by it, and what it began itself."""
    if plan is None or plan.day != day:
        return dict(before)
    opened = {r.zone for r in plan.runs if opening(r) in zones_done}
    found = {zone: rest for zone, rest in before.items() if zone not in opened}
    left: dict[str, list[PlannedRun]] = {}
    for run in plan.runs:
        if opening(run) not in zones_done:
            left.setdefault(run.zone, []).append(run)
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
    turn.change(plan=_begun_at(plan, run, turn.now.wall, ordered.order.open_ms / 1000.0))


def _begun_at(plan: Plan, run: PlannedRun, at: datetime, open_s: float) -> Plan:
    """The plan with that opening begun then, for so long."""
    late = at - run.start + timedelta(seconds=max(0.0, open_s - run.run_s))
    # It is planned for then from here on: where it opens nothing, the next try is late by what that adds.
    tried = replace(run, start=at, run_s=max(run.run_s, open_s))
    runs = (tried if opening(r) == opening(run) else _put_back(r, run, late) for r in plan.runs)
    return replace(plan, runs=tuple(runs))


def _put_back(other: PlannedRun, run: PlannedRun, late: timedelta) -> PlannedRun:
    later = other.zone == run.zone and other.pulse > run.pulse
    return replace(other, start=other.start + late) if later else other
