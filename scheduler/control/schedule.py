"""When a day is planned, and from what: needs, forecast, store, and what people told."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, PlantNeed, daily_need_l, plant_need
from scheduler.agronomy.weather import Outlook
from scheduler.control.choosing import choices_of
from scheduler.control.effects import RecordPlan
from scheduler.control.leaks import leak_l_day
from scheduler.control.ledger import REVISED_DAYS, weather_of, zones_after_today
from scheduler.control.pulses import begun
from scheduler.control.rain import believed_rain
from scheduler.control.shortage import supply_now
from scheduler.control.state import State, Turn
from scheduler.control.unknown_rain import unknown_rain
from scheduler.control.winter import is_drained
from scheduler.control.working_level import lowered, working_level_m
from scheduler.planning import words
from scheduler.planning.choices import as_chosen
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import Plan, PlannedRun, PlanSource, Reason, SkippedZone
from scheduler.planning.watering import plan_day
from scheduler.planning.windows import WindowSpan, local_midnight, window_at
from scheduler.site.showing import show_rain

# A forecast older than this puts no watering off and adds no rain to the store (our choice).
OUTLOOK_AGE = timedelta(hours=48)
# A node not heard for so many heartbeats is not given orders.
FRESH_HEARTBEATS = 2.0
FRESH_SLACK_S = 30.0
# A flow known to this (95 times out of 100) is not worth a word (our choice).
DOUBT_WORTH_SAYING = 0.05
# Days looked ahead for how long the store lasts.
LOOK_AHEAD_DAYS = 30


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
    level_known = turn.state.belief.known or working_level_m(turn) is not None
    key = (turn.local_day, span.start if span else None, level_known, held_zones(turn))
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
    if is_drained(turn.state.choices):
        turn.change(leak=None)  # what leaked before the winter tells nothing of the spring
    state = turn.state
    rests = begun(state, turn.local_day)
    use_l, outlook, needs = daily_use_l(turn), _fresh_outlook(turn), needs_now(turn)
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
        needs=needs,
        flow_factors={zone: state.flow.factor(zone, turn.now.wall) for zone in state.flow.zones},
        outlook=outlook,
        daily_use_l=use_l,
        held=held_zones(turn),
        last_known=lowered(state, state.last_known) if state.last_known else None,
        ration=supply.ration if supply is not None else None,
        begun=rests,
        lasting=supply.lasting if supply is not None else None,
        leak_l=leak_l_day(state),
    )
    leak_sd_l = state.leak.sure_sd_l_day if state.leak is not None else None
    plan = replace(
        plan,
        runs=tuple(_with_doubt(turn, _with_history(turn, r)) for r in plan.runs),
        store=replace(plan.store, leak_sd_l=leak_sd_l),
        sources=_sources(turn),
    )
    doubt = unknown_rain(state, turn.local_day, needs)
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
    sensor = None if any(p.by_hand for p in state.track.recent[-1:]) else state.site.sensor
    level = f"{sensor.kind} sensor" if sensor is not None else "measured by hand"
    belief = state.belief if state.belief.known else state.last_known
    found = [PlanSource("level", level, belief.at if belief is not None else None)]
    stands_in = state.outlook is not None and state.outlook.et0_on(turn.local_day) is not None
    if not state.weather and not stands_in:
        _, assumed = weather_of(state, turn.local_day)
        text = f"{assumed.method}, {show_rain(assumed.et0_mm, units)}, for no weather is known yet"
        found.append(PlanSource("et0", text, None))
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
