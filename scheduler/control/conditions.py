"""Which alarm conditions hold now, in words a household can act on."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from datetime import timedelta

from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.control import links, refusals, running_low
from scheduler.control.alarms import NEITHER, RULES, WELL, AlarmMemory, Condition, judge
from scheduler.control.effects import AlertKind, ClearAlert, RaiseAlert
from scheduler.control.frost import frost, winter_over
from scheduler.control.leaks import BRIM_M, wet_between
from scheduler.control.schedule import node_fresh
from scheduler.control.state import State, Turn
from scheduler.control.supervision import is_overdue
from scheduler.control.waterbook import unexplained
from scheduler.control.winter import TOLD_IN_WINTER, is_drained, rests_dry
from scheduler.sensing.doubt import doubts
from scheduler.site.showing import show_volume

# Trade notes section 7 (common practice, no source).
LEVEL_UNKNOWN_S = 6 * 3600.0
FORECAST_STALE = timedelta(hours=24)
# One odd day may be a can that nobody told of; two in a row are told (a choice of this project).
LOST_DAYS = 2
# A 12 V lead battery under light load: low below 11.8 V, well above 12.2 V (from memory).
SUPPLY_LOW_MV = 11800
SUPPLY_WELL_MV = 12200

Named = tuple[AlertKind, str, Condition]


def watch(turn: Turn) -> None:
    """Judge every condition once; raised alerts and their ends become effects."""
    memories = {(m.kind, m.subject): m for m in turn.state.alarms}
    kept = _kept_in_winter(turn.state)
    remembered = {m.kind for m in turn.state.alarms}
    news = False
    for kind, subject, condition in _told_of(turn, remembered):
        if kept is not None and kind not in kept:
            condition = WELL
        key = (kind, subject)
        memory = memories.get(key)
        if memory is None:
            if not condition.active:
                continue
            memory = AlarmMemory(kind, subject)
        elif memory.at_rest(condition.active):
            continue
        verdict = judge(
            memory,
            condition,
            wall=turn.now.wall,
            monotonic_s=turn.now.monotonic_s,
            local_day=turn.local_day,
            hidden=bool(condition.active) and _hidden(kind, memories.values(), turn.now.monotonic_s),
        )
        if verdict.memory is not memories.get(key):
            memories[key] = verdict.memory
            news = True
        if verdict.alert is not None:
            turn.emit(RaiseAlert(verdict.alert))
        if verdict.cleared:
            turn.emit(ClearAlert(kind, subject, turn.now.wall))
    if news:
        turn.change(alarms=tuple(memories.values()))


def _kept_in_winter(state: State) -> frozenset[AlertKind] | None:
    """What is still told of a drained garden; None: it is not drained. A valve that is not shut matters while
    there is water behind it."""
    if not is_drained(state.choices):
        return None
    dry = rests_dry(state.choices, state.belief.level_m)
    return TOLD_IN_WINTER if dry else TOLD_IN_WINTER | {"valve_not_shut"}


def _hidden(kind: AlertKind, memories: Iterable[AlarmMemory], monotonic_s: float) -> bool:
    """Whether another alarm explains this one."""
    by = RULES[kind].hidden_by
    return bool(by) and any(m.hides(monotonic_s) for m in memories if m.kind in by)


def conditions(turn: Turn) -> Iterator[Named]:
    """Every condition of the garden, causes before what they hide."""
    for kind, judged in GARDEN:
        yield kind, "", judged(turn)
    yield from _of_zones(turn)


def _told_of(turn: Turn, remembered: Collection[AlertKind]) -> list[Named]:
    """The conditions that hold, or that something is remembered of; the others are passed over."""
    found: list[Named] = []
    for kind, judged in GARDEN:
        condition = judged(turn)
        if (condition is not WELL and condition.active) or kind in remembered:
            found.append((kind, "", condition))
    found += [named for named in _of_zones(turn) if named[2].active or named[0] in remembered]
    return found


def _of_zones(turn: Turn) -> Iterator[Named]:
    state = turn.state
    zones = state.model.zones
    for memory in state.alarms:
        if memory.kind in OF_A_ZONE and memory.subject not in zones:  # the garden no longer has it
            yield memory.kind, memory.subject, WELL
    for zone, count in state.poor_runs:
        if zone in zones:
            yield "run_short", zone, _short(state, zone, count)
            yield "run_over", zone, _over(state, zone, count)
    for zone in zones:
        yield "out_of_reach", zone, running_low.out_of_reach(turn, zone)
    if state.topped_up or any(m.kind == "run_interrupted" for m in state.alarms):
        for zone in sorted({z.id for z in state.site.zones}):
            yield "run_interrupted", zone, _interrupted(turn, zone)


def _store(turn: Turn) -> Condition:
    state = turn.state
    if state.store_fault is None:
        return WELL
    return Condition(
        True,
        lambda: f"{state.site.name}: what happens cannot be written down ({state.store_fault}).",
        "Free space on the disk or replace the card. Nothing is watered until then; valves still close.",
    )


def _valve(turn: Turn) -> Condition:
    state = turn.state
    overdue = state.intents and any(is_overdue(state, h, turn.now.monotonic_s) for h in state.intents)
    if state.phase != "unproven" and not overdue:
        return NEITHER if _seen_open_or_not_at_all(state) else WELL
    positions = (
        ", ".join(f"{v.channel}: {v.position}" for v in state.node.valves) if state.node else "not heard"
    )
    return Condition(
        True,
        lambda: f"{state.site.name}: a valve is not proven shut (node says {positions}).",
        "Go and close the hand tap at the barrels now, then look at the valve.",
    )


def _seen_open_or_not_at_all(state: State) -> bool:
    """Whether nothing proves the valves shut, and no order of ours explains it: that ends no message."""
    if state.phase == "unheard" or state.node is None:
        return True
    return not state.intents and any(v.position != "closed" for v in state.node.valves)


def _silent(turn: Turn) -> Condition:
    state = turn.state
    if node_fresh(state, turn.now.monotonic_s):
        return WELL
    minutes = (turn.now.monotonic_s - state.silent_since_mono_s) / 60
    cause = "the valve node" if state.connected else "the message broker"
    was_open = bool(state.intents)
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: {cause} has not been heard for {minutes:.0f} min; nothing can be watered."
        ),
        "Look at power and radio of the shed box." if state.connected else "Look at the broker on the Pi.",
        urgent=was_open,
    )


def _clock(turn: Turn) -> Condition:
    if turn.now.trust != "unknown":
        return WELL
    return Condition(
        True,
        lambda: f"{turn.state.site.name}: the time of day is not known; nothing starts by the clock.",
        "Give the Pi a network connection, or set its clock.",
    )


def _level(turn: Turn) -> Condition:
    state = turn.state
    if state.belief.known:
        return WELL
    unknown_s = turn.now.monotonic_s - state.unknown_since_mono_s
    if state.belief.at is not None:  # a belief counts as known until its last reading is old
        unknown_s = max(unknown_s, (turn.now.wall - state.belief.at).total_seconds())
    why = "; ".join(state.belief.why) or "no reading"
    return Condition(
        unknown_s >= LEVEL_UNKNOWN_S,
        lambda: f"{state.site.name}: the water level is unknown ({why}).",
        "Look at the sensor for spiders and wet; measure by hand and enter it: fallinghead measured.",
    )


def _doubtful(turn: Turn) -> Condition:
    """Readings come, and something speaks against the sensor; or water went or came that nobody knows of."""
    state = turn.state
    if state.intents:
        return NEITHER  # a run moves the level: judged at rest
    since = state.track.trend.first
    level_m, brim_m = state.belief.level_m, state.model.stage.brim_level_m
    found = doubts(
        state.track,
        state.site,
        turn.now.wall,
        leak=state.leak,
        dry=lambda: (
            since is not None
            and level_m is not None
            and level_m < brim_m - BRIM_M
            and not wet_between(turn, since)
        ),
        told=_moved_by_hand(state),
    )
    if not found:
        return WELL
    return Condition(
        True,
        lambda: f"{state.site.name}: {'; '.join(found)}.",
        "Measure by hand and enter it: fallinghead measured. Tell water taken or added by hand: fallinghead "
        "took, fallinghead topped-up. Else look for spiders, wet or a loose sensor, and for a leak.",
    )


def _moved_by_hand(state: State) -> bool:
    """Whether a person told of water taken or added today or yesterday."""
    moved_l = state.book.taken_l + state.book.added_l
    return moved_l + sum(d.taken_l + d.added_l for d in state.water_days[-1:]) > 0.0


def _forecast(turn: Turn) -> Condition:
    outlook = turn.state.outlook
    years_alone = outlook is not None and outlook.source == STORED_YEARS  # no forecast ever came
    if years_alone:
        outlook = None
    age = turn.now.wall - outlook.fetched_at if outlook else None
    stale = (age is not None and age > FORECAST_STALE) or (
        age is None and (years_alone or turn.state.weather_fault is not None)
    )
    if not stale:
        return WELL
    text = f"is {age.total_seconds() / 3600:.0f} h old" if age is not None else "never came"
    fault = f" ({turn.state.weather_fault})" if turn.state.weather_fault else ""
    return Condition(
        True,
        lambda: f"{turn.state.site.name}: the weather forecast {text}{fault}.",
        f"Look at the network. Watering goes on with {_standing_in(turn)}.",
    )


def _standing_in(turn: Turn) -> str:
    """What today's use of water is taken from while no fresh forecast comes."""
    outlook = turn.state.outlook
    estimate = outlook.et0_on(turn.local_day) if outlook is not None else None
    if estimate is not None:
        return f"the {estimate.method}"
    return "the mean of the last days" if turn.state.weather else "what a typical summer day uses"


def _supply(turn: Turn) -> Condition:
    state = turn.state
    mv = state.node.supply_mv if state.node else None
    if mv is None or mv >= SUPPLY_WELL_MV:
        return WELL
    active = True if mv < SUPPLY_LOW_MV else None
    return Condition(
        active,
        lambda: f"{state.site.name}: the valve's supply is at {mv / 1000:.1f} V.",
        "Charge the battery.",
    )


def _records_lost(turn: Turn) -> Condition:
    lost = turn.state.records_lost
    if lost is None or lost[0] != turn.local_day:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{turn.state.site.name}: the valve node had no room to keep how {lost[1]} "
            f"run{'s' if lost[1] > 1 else ''} ended; the litres booked may be short."
        ),
        "It was cut off for long: look at the radio of the shed box and at the broker.",
    )


def _water_lost(turn: Turn) -> Condition:
    state = turn.state
    if not state.water_days or state.water_days[-1].rest_l is None:
        return NEITHER
    found = unexplained(state.water_days)
    if found.days < LOST_DAYS:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: about {show_volume(found.mean_l, state.site.units)} a day went that nobody "
            f"accounts for, {found.days} days in a row."
        ),
        "Look at joints, taps and the overflow at dusk, when all is dry. Tell cans that were taken: "
        "fallinghead took.",
    )


def _short(state: State, zone: str, count: int) -> Condition:
    if count < 2:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: {state.site.zone(zone).name} got less than 70 % of what it should, "
            f"{count} runs in a row."
        ),
        "Clean the filter, then look for an air lock or a kinked line.",
    )


def _over(state: State, zone: str, count: int) -> Condition:
    if count > -2:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: {state.site.zone(zone).name} drew more than 130 % of what it should, "
            f"{-count} runs in a row."
        ),
        "Look for a burst line or an emitter that came off.",
    )


def _interrupted(turn: Turn, zone: str) -> Condition:
    if (turn.local_day, zone) not in turn.state.topped_up:
        return WELL
    return Condition(
        True,
        lambda: (
            f"{turn.state.site.name}: a run of {turn.state.site.zone(zone).name} broke off before its end."
        ),
        "The rest is watered once more today if the window allows. If it happens again, look at the "
        "power supply.",
    )


OF_A_ZONE: frozenset[AlertKind] = frozenset({"run_short", "run_over", "run_interrupted", "out_of_reach"})
# Of the garden as a whole, causes before what they hide.
GARDEN: tuple[tuple[AlertKind, Callable[[Turn], Condition]], ...] = (
    ("store_failed", _store),
    ("valve_not_shut", _valve),
    ("node_silent", _silent),
    ("clock_unknown", _clock),
    ("level_unknown", _level),
    ("level_doubtful", _doubtful),
    ("forecast_stale", _forecast),
    ("order_refused", refusals.strangers),
    ("order_declined", refusals.declined),
    ("order_unreached", refusals.unreached),
    ("link_breaks", links.breaking),
    ("supply_low", _supply),
    ("records_lost", _records_lost),
    ("water_lost", _water_lost),
    ("near_empty", running_low.near_empty),
    ("runs_out", running_low.runs_out),
    ("frost", frost),
    ("winter_over", winter_over),
)
