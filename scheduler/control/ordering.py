"""When a planned run becomes an order, and the bounded order itself."""

from __future__ import annotations

from datetime import datetime

from scheduler.control.effects import Intent, Note, RecordIntent, SendOrder
from scheduler.control.leaks import leak_slope_m_h, learn_leak_before_run
from scheduler.control.ledger import order_open_s
from scheduler.control.order_ids import last_used, order_id
from scheduler.control.orders import Order
from scheduler.control.pulses import next_run, none_left, opening, put_later_back
from scheduler.control.schedule import model_now, needs_now, node_fresh
from scheduler.control.state import OpenIntent, State, Turn
from scheduler.control.transitions import next_phase
from scheduler.control.winter import is_drained
from scheduler.control.working_level import floor_margin_m, working_level_m
from scheduler.planning.plan import PlannedRun, Reason, SkippedZone
from scheduler.planning.watering import size_run
from scheduler.planning.windows import window_at
from scheduler.sensing.flow import rest_level
from scheduler.sensing.level import raw_at_level

# An order not begun by then opens nothing any more (a choice of this project).
START_WITHIN_MS = 60_000
# Between two runs the level comes to rest and is read, so that each run is proven on its own.
RUN_GAP_S = 900.0


def obstacles(state: State, now_mono_s: float, *, clock_known: bool) -> list[str]:
    """Why no order can be given now, in words; empty when one can."""
    found: list[str] = []
    if state.stopped_by is not None:
        found.append(f"watering was stopped by {state.stopped_by}")
    if state.leaving:
        found.append("the daemon is ending")
    if state.store_fault is not None:
        found.append(f"the store cannot be written: {state.store_fault}")
    if is_drained(state.choices):
        found.append("the garden is drained for the winter")
    if not clock_known:
        found.append("the time of day is not known")
    if not state.connected:
        found.append("the broker is not reached")
    if not node_fresh(state, now_mono_s):
        found.append(f"the valve node {state.site.node.id} is not heard")
    if state.phase != "at_rest" or state.intents:
        found.append(PHASE_WORDS[state.phase])
    return found


PHASE_WORDS = {
    "unheard": "it is not known whether the valves are shut",
    "at_rest": "the last order is not booked yet",
    "ordered": "an order is under way",
    "running": "a zone is being watered",
    "unproven": "a valve is not proven shut",
}


def start_due_run(turn: Turn) -> None:
    """Give the order for the next planned run whose time has come, sized anew from the present level."""
    state = turn.state
    run = next_run(state)
    if run is None or run.start > turn.now.wall:
        return
    span = window_at(state.site, turn.now.wall)
    if span is None or obstacles(state, turn.now.monotonic_s, clock_known=turn.now.trust != "unknown"):
        return
    if not gap_over(turn):
        return
    turn.change(zones_done=state.zones_done | {opening(run)})
    wanted = {s.plant: s.wanted_l for s in run.shares if s.wanted_l > 0}
    # What a person gave since the plan was made is not given again.
    needs = needs_now(turn)
    targets = {p: min(litres, needs[p].wanted_l) for p, litres in _rationed(run, wanted).items()}
    if run.pulse == 1 and not any(needs[p].due for p in targets):
        turn.change(zones_done=none_left(turn.state, run.zone))
        turn.emit(Note(f"Zone {run.zone} is not watered: it was watered since the plan was made."))
        return
    give(turn, run.zone, _not_held_back(run, wanted, targets), latest_end=span.end, asked_by=None)
    put_later_back(turn, run)


def gap_over(turn: Turn) -> bool:
    """Whether the tank has been at rest long enough since the last run (or the last refusal)."""
    return gap_left_s(turn) <= 0.0


def gap_left_s(turn: Turn) -> float:
    last = turn.state.last_end_mono_s
    return 0.0 if last is None else RUN_GAP_S - (turn.now.monotonic_s - last)


def _rationed(run: PlannedRun, wanted: dict[str, float]) -> dict[str, float]:
    """The targets the plan settled on: what it gives when it had to cut, else what is wanted."""
    if run.pulses > 1 or any(r.code == "rationed" for r in run.reasons):
        return {s.plant: s.given_l for s in run.shares if s.given_l > 0}
    return wanted


def _not_held_back(run: PlannedRun, wanted: dict[str, float], targets: dict[str, float]) -> dict[str, float]:
    """Of a rationed run the targets of those whose dose it is: a plant that gets more than it wants, with the
    dose of others, is none of them, for its small want would hold that dose back."""
    if not any(r.code == "rationed" for r in run.reasons):
        return targets
    given = {s.plant: run.pulses * s.given_l for s in run.shares}
    theirs = {p: litres for p, litres in targets.items() if given[p] <= wanted.get(p, 0.0)}
    return theirs if any(litres > 0.0 for litres in theirs.values()) else targets


def give(
    turn: Turn,
    zone_id: str,
    targets_l: dict[str, float],
    *,
    latest_end: datetime | None,
    asked_by: str | None,
) -> tuple[Reason, ...]:
    """Order one run for these targets. Empty when the order went out; otherwise the reasons against it."""
    state = turn.state
    level_m = working_level_m(turn)
    if level_m is None:
        return (Reason("level_unknown", "The level of the water is not known."),)
    sized = size_run(
        model_now(state),
        zone_id,
        start=turn.now.wall,
        level_m=level_m,
        targets_l=targets_l,
        needs=needs_now(turn),
        flow_factor=state.flow_factor(zone_id).at(turn.now.wall).value,
        longest_open_s=state.site.node.longest_open_s,
        latest_end=latest_end,
        floor_margin_m=floor_margin_m(state),
    )
    if isinstance(sized, SkippedZone):
        turn.emit(Note(f"Zone {zone_id} is not watered now: {'; '.join(r.text for r in sized.reasons)}"))
        return sized.reasons
    order_run(turn, sized, level_m, asked_by)
    return ()


def order_run(turn: Turn, run: PlannedRun, level_m: float, asked_by: str | None) -> None:
    """Make the order for a sized run durable and send it. A run without shares is for a test."""
    learn_leak_before_run(turn)  # the level at rest is carried along the leak as it is now known
    state = turn.state
    intent = Intent(
        order=build_order(state, run, turn.now.monotonic_s),
        zone=run.zone,
        made_at=turn.now.wall,
        level_m=level_m,
        planned_l=tuple((s.plant, s.given_l) for s in run.shares),
        volume_l=run.volume_l,
        asked_by=asked_by,
    )
    before = rest_level(state.track, state.site, at=turn.now.wall, slope_m_h=leak_slope_m_h(state))
    # A run whose time is not known proves nothing (``ledger``).
    held = OpenIntent(intent, turn.now.monotonic_s, before=before if turn.now.trust != "unknown" else None)
    turn.change(
        intents=(held,),
        issued=(intent.order.session, intent.order.sequence),
        phase=next_phase(state.phase, "order_sent"),
        proof=None,
    )
    minutes = intent.order.open_ms / 60000
    turn.emit(
        RecordIntent(intent),
        SendOrder(intent.order),
        Note(
            f"Zone {run.zone}: open {minutes:.1f} min for {run.volume_l:.0f} L at a level of {level_m:.2f} m."
        ),
    )


def build_order(state: State, run: PlannedRun, now_mono_s: float) -> Order:
    """The bounded order for a run: for the node's present session, its next sequence, its own clock."""
    node = state.node
    if node is None:  # start_due_run and the requests check this; an order without a session cannot be
        raise RuntimeError("no session to order in")
    zone = state.site.zone(run.zone)
    open_s = min(order_open_s(zone.valve, run.run_s), state.site.node.longest_open_s)
    uptime_ms = node.uptime_ms + int((now_mono_s - node.heard_mono_s) * 1000)
    low_raw, low_side = None, None
    if state.site.sensor is not None:
        air_c = state.track.recent[-1].air_c if state.track.recent else None
        floor_m = model_now(state).floor_level_m(run.zone) + floor_margin_m(state)
        low_raw, low_side = raw_at_level(state.site, floor_m, air_c, offset_m=state.track.offset_m)
        if low_raw < 0:  # the sensor sits above the floor and cannot see it: the bound in time must do
            low_raw, low_side = None, None
    sequence = max(node.last_sequence, last_used(state, node.session)) + 1
    return Order(
        node=state.site.node.id,
        session=node.session,
        sequence=sequence,
        order_id=order_id(node.session, sequence),
        channel=zone.valve.channel,
        open_ms=round(open_s * 1000),
        start_by_uptime_ms=uptime_ms + START_WITHIN_MS,
        low_raw=low_raw,
        low_side=low_side,
    )
