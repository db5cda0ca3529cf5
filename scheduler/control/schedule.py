"""When to plan, and when a planned run becomes an order."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, PlantNeed, daily_need_l, plant_need
from scheduler.agronomy.weather import Outlook
from scheduler.control.choosing import choices_of
from scheduler.control.effects import Intent, Note, RecordIntent, RecordPlan, SendOrder
from scheduler.control.leaks import leak_slope_m_h, learn_leak_before_run
from scheduler.control.ledger import REVISED_DAYS, order_open_s, weather_of, zones_after_today
from scheduler.control.order_ids import last_used, order_id
from scheduler.control.orders import Order
from scheduler.control.pulses import begun, next_run, none_left, opening, put_later_back
from scheduler.control.rain import believed_rain
from scheduler.control.shortage import supply_now
from scheduler.control.state import OpenIntent, State, Turn
from scheduler.control.transitions import next_phase
from scheduler.control.unknown_rain import unknown_rain
from scheduler.control.winter import is_drained
from scheduler.planning import words
from scheduler.planning.choices import as_chosen
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import Plan, PlannedRun, PlanSource, Reason, SkippedZone
from scheduler.planning.watering import LAST_KNOWN_AGE, plan_day, size_run
from scheduler.planning.windows import WindowSpan, local_midnight, window_at
from scheduler.sensing.belief import LevelBelief
from scheduler.sensing.flow import rest_level
from scheduler.sensing.level import raw_at_level
from scheduler.site.showing import show_rain

# An order not begun by then opens nothing any more (a choice of this project; faults.md asks for an expiry).
START_WITHIN_MS = 60_000
# A forecast older than this puts no watering off and adds no rain to the store (our choice).
OUTLOOK_AGE = timedelta(hours=48)
# A node not heard for so many heartbeats is not given orders.
FRESH_HEARTBEATS = 2.0
FRESH_SLACK_S = 30.0
# Between two runs the level comes to rest and is read, so that each run is proven on its own.
RUN_GAP_S = 900.0
# A flow known to this (95 times out of 100) is not worth a word (our choice).
DOUBT_WORTH_SAYING = 0.05
# Days looked ahead for how long the store lasts.
LOOK_AHEAD_DAYS = 30


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


def node_fresh(state: State, now_mono_s: float) -> bool:
    node = state.node
    limit_s = FRESH_HEARTBEATS * state.site.node.heartbeat_s + FRESH_SLACK_S
    return node is not None and now_mono_s - node.heard_mono_s <= limit_s


def needs_now(turn: Turn) -> dict[str, PlantNeed]:
    """What each plant wants now, less what it was given today."""
    state, day = turn.state, turn.local_day
    needs: dict[str, PlantNeed] = {}
    zones = zones_after_today(state, day)
    et0_mm = weather_of(state, day)[1].et0_mm
    for plant in state.site.plants:
        etc_mm = plant_coefficient(plant, day) * et0_mm
        needs[plant.id] = plant_need(plant, zones[plant.id], day, etc_mm=etc_mm, units=state.site.units)
    return needs


def daily_use_l(turn: Turn) -> list[float]:
    """Litres the garden wants on each coming day without rain: forecast ET, then the mean of the week."""
    state, day = turn.state, turn.local_day
    use: list[float] = []
    for ahead in range(LOOK_AHEAD_DAYS):
        if ahead >= 7:
            use.append(sum(use[-7:]) / 7)
            continue
        on = day + timedelta(days=ahead)
        et0 = weather_of(state, on)[1].et0_mm
        use.append(sum(daily_need_l(plant, et0, on) for plant in state.site.plants))
    return use


def plan_if_due(turn: Turn) -> None:
    """One plan when the local day begins, a fresh one when a watering window opens."""
    if turn.now.trust == "unknown" or turn.state.balanced_day is None or turn.state.intents:
        return
    span = window_at(turn.state.site, turn.now.wall)
    # A plan without a level waters nothing: once the level is known, the window gets another. So it does when
    # a hold ends.
    key = (turn.local_day, span.start if span else None, working_level_m(turn) is not None, held_zones(turn))
    if turn.state.plan_key == key or (span is None and _planned_today(turn)):
        return
    if span is not None and not _ready_to_plan(turn, span):
        return
    make_plan(turn)
    turn.change(plan_key=key, zones_done=frozenset())


def _planned_today(turn: Turn) -> bool:
    key = turn.state.plan_key
    return key is not None and key[0] == turn.local_day


def _ready_to_plan(turn: Turn, span: WindowSpan) -> bool:
    """In a window: wait for a shut valve and a fresh level, but not past its middle."""
    half_gone = turn.now.wall >= span.start + (span.end - span.start) / 2
    return half_gone or (turn.state.phase == "at_rest" and node_fresh(turn.state, turn.now.monotonic_s))


def model_now(state: State) -> GardenModel:
    """The garden as people chose it: ranks, and whether the reserve is released."""
    return as_chosen(state.model, choices_of(state.choices))


def make_plan(turn: Turn) -> None:
    state = turn.state
    rests = begun(state, turn.local_day)
    use_l, outlook = daily_use_l(turn), _fresh_outlook(turn)
    model = model_now(state)
    supply = supply_now(
        turn,
        model,
        choices_of(state.choices).way,
        level_m=working_level_m(turn),
        outlook=outlook,
    )
    plan = plan_day(
        model,
        now=turn.now.wall,
        day=turn.local_day,
        belief=lowered(state, state.belief),
        needs=needs_now(turn),
        flow_factors={zone: state.flow.factor(zone, turn.now.wall) for zone in state.flow.zones},
        outlook=outlook,
        daily_use_l=use_l,
        held=held_zones(turn),
        last_known=lowered(state, state.last_known) if state.last_known else None,
        ration=supply.ration if supply is not None else None,
        begun=rests,
        lasting=supply.lasting if supply is not None else None,
    )
    plan = replace(
        plan, runs=tuple(_with_doubt(turn, _with_history(turn, r)) for r in plan.runs), sources=_sources(turn)
    )
    doubt = unknown_rain(state, turn.local_day, needs_now(turn))
    plan = replace(plan, reasons=(*plan.reasons, *doubt))
    if is_drained(state.choices):
        plan = _drained(plan)
    turn.change(plan=plan, rests=(turn.local_day, rests))
    turn.emit(RecordPlan(plan))


def _drained(plan: Plan) -> Plan:
    """The plan of a garden without water: nothing, and why."""
    zones = {*(r.zone for r in plan.runs), *(s.zone for s in plan.skipped)}
    reason = Reason("drained", "The garden is drained for the winter.")
    skipped = tuple(SkippedZone(zone, (reason,)) for zone in sorted(zones))
    shares = tuple(replace(s, given_l=0.0) for s in plan.shares)
    return replace(plan, runs=(), skipped=skipped, shares=shares, reasons=(reason,))


def _with_history(turn: Turn, run: PlannedRun) -> PlannedRun:
    """A run with what led up to it: use and rain since its zone was last watered, as far as remembered."""
    plants = {s.plant for s in run.shares}
    watered = [z.last_watered for z in turn.state.zones_now if z.plant in plants]
    last = max((d for d in watered if d is not None), default=None)
    if last is None:
        return run
    days = [r for r in turn.state.days if r.weather.day >= last]
    records = [z for r in days for z in r.root_zones if z.plant in plants]
    if len(days) != (turn.local_day - last).days or not records:
        return run  # not every day since then is remembered
    et0_mm = [next(z.et0_mm for z in r.root_zones) for r in days if r.root_zones]
    rain_l = sum(z.rain_credited_l for z in records) / APPLICATION_EFFICIENCY
    reason = words.since_watered(
        turn.state.site.units,
        days=float(len(days)),
        et0_mm_day=sum(et0_mm) / len(et0_mm),
        used_l=sum(z.wanted_l for z in records) + rain_l,
        rain_l=rain_l,
    )
    return replace(run, reasons=(*run.reasons, reason))


def _with_doubt(turn: Turn, run: PlannedRun) -> PlannedRun:
    """A run with how well the zone's flow is known, where that matters."""
    factor = turn.state.flow_factor(run.zone).at(run.start)
    flow_sd = factor.sd / factor.value
    if 2.0 * flow_sd < DOUBT_WORTH_SAYING:
        return run
    reason = words.flow_doubt(turn.state.site.units, volume_l=run.volume_l, flow_sd=flow_sd)
    return replace(run, reasons=(*run.reasons, reason))


def _sources(turn: Turn) -> tuple[PlanSource, ...]:
    """Where the plan's figures came from, and from when they are."""
    state, units = turn.state, turn.state.site.units
    sensor = f"{state.site.sensor.kind} sensor" if state.site.sensor is not None else "measured by hand"
    belief = state.belief if state.belief.known else state.last_known
    found = [PlanSource("level", sensor, belief.at if belief is not None else None)]
    if state.outlook is not None:
        found.append(PlanSource("forecast", state.outlook.source, state.outlook.fetched_at))
        estimate = state.outlook.et0_on(turn.local_day)
        if estimate is not None:  # no fresh forecast of today
            span = f"{show_rain(estimate.low_mm, units)} to {show_rain(estimate.high_mm, units)}"
            text = f"{estimate.method}: {show_rain(estimate.et0_mm, units)} ({span})"
            found.append(PlanSource("et0", text, state.outlook.fetched_at))
        through = max(state.rain_known, default=None)
        ends = local_midnight(through + timedelta(days=1), state.site.place.timezone) if through else None
        found.append(PlanSource("past_weather", state.outlook.source + _rain_words(turn), ends))
    if state.flow.updated is not None:
        found.append(PlanSource("flow", "the fall of the level in earlier runs", state.flow.updated))
    return tuple(found)


def _rain_words(turn: Turn) -> str:
    """Which of the last days' rain is not as the service told it, and whose word it is."""
    days = (turn.local_day - timedelta(days=n) for n in range(REVISED_DAYS, 0, -1))
    found = {day: believed_rain(turn.state, day) for day in days}
    units = turn.state.site.units
    said = [
        f"{show_rain(rain.rain_mm, units)} of {day:%d %B} {rain.source}"
        for day, rain in found.items()
        if rain.source != "told"
    ]
    return f" (rain: {'; '.join(said)})" if said else ""


def held_zones(turn: Turn) -> frozenset[str]:
    """Zones that a person asked to hold, as of now."""
    return frozenset(h.zone for h in turn.state.holds if h.until > turn.now.wall)


def _fresh_outlook(turn: Turn) -> Outlook | None:
    """The forecast, unless it is too old to put a watering off or to count on its rain."""
    outlook = turn.state.outlook
    return outlook if outlook is not None and turn.now.wall - outlook.fetched_at <= OUTLOOK_AGE else None


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
    learn_leak_before_run(turn)
    turn.change(zones_done=state.zones_done | {opening(run)})
    wanted = {s.plant: s.wanted_l for s in run.shares if s.wanted_l > 0}
    # What a person gave since the plan was made is not given again.
    needs = needs_now(turn)
    targets = {p: min(litres, needs[p].wanted_l) for p, litres in _rationed(run, wanted).items()}
    if run.pulse == 1 and not any(needs[p].due for p in targets):
        turn.change(zones_done=none_left(turn.state, run.zone))
        turn.emit(Note(f"Zone {run.zone} is not watered: it was watered since the plan was made."))
        return
    give(turn, run.zone, targets, latest_end=span.end, asked_by=None)
    put_later_back(turn, run)


def gap_over(turn: Turn) -> bool:
    """Whether the tank has been at rest long enough since the last run (or the last refusal)."""
    return gap_left_s(turn) <= 0.0


def gap_left_s(turn: Turn) -> float:
    last = turn.state.last_end_mono_s
    return 0.0 if last is None else RUN_GAP_S - (turn.now.monotonic_s - last)


def working_level_m(turn: Turn) -> float | None:
    """The believed level; when it is unknown, the lower bound of one not too old; else None."""
    state = turn.state
    if state.belief.known:
        return lowered(state, state.belief).level_m
    last = state.last_known
    if last is None or last.at is None or turn.now.wall - last.at > LAST_KNOWN_AGE:
        return None
    return lowered(state, last).low_m


def lowered(state: State, belief: LevelBelief) -> LevelBelief:
    """A belief less the runs that began since its reading: a silent sensor does not make water twice.

    A reading taken during a run, or after it, knows of it.
    """
    draws = state.draws
    if state.track.unseen_m > 0.0:  # the belief is brought down by the last run already
        last = max((d.at for d in draws if d.by_run), default=None)
        draws = tuple(d for d in draws if not (d.by_run and d.at == last))
    drawn_l = sum(d.litres for d in draws if belief.at is not None and d.at >= belief.at)
    if drawn_l == 0.0 or belief.level_m is None or belief.low_m is None or belief.high_m is None:
        return belief
    stage = state.model.stage
    level_m, low_m, high_m = (
        stage.level_m(max(0.0, stage.volume_l(m) - drawn_l))
        for m in (belief.level_m, belief.low_m, belief.high_m)
    )
    return replace(belief, level_m=level_m, low_m=low_m, high_m=high_m)


def floor_margin_m(state: State) -> float:
    """What the level is not known to: kept above the floor, so that the true level stays above it too."""
    belief = state.belief
    if belief.level_m is None or belief.low_m is None:
        return 0.0
    return max(0.0, belief.level_m - belief.low_m)


def _rationed(run: PlannedRun, wanted: dict[str, float]) -> dict[str, float]:
    """The targets the plan settled on: what it gives when it had to cut, else what is wanted."""
    if run.pulses > 1 or any(r.code == "rationed" for r in run.reasons):
        return {s.plant: s.given_l for s in run.shares if s.given_l > 0}
    return wanted


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
    held = OpenIntent(
        intent,
        turn.now.monotonic_s,
        before=rest_level(state.track, state.site, at=turn.now.wall, slope_m_h=leak_slope_m_h(state)),
    )
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
