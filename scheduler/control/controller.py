"""The controller: ``step(state, event, now) -> (state, effects)``. No clock, socket, store or sleep inside.

An event changes what is known; then the routine looks whether anything is due: the daily balance, a plan,
a run, a proof, an alarm. The same state, event and time always give the same result.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.agronomy.need import RootZone, full_root_zone
from scheduler.agronomy.weather import Outlook
from scheduler.control import (
    conditions,
    events,
    leaks,
    ordering,
    people,
    proof,
    schedule,
    supervision,
    waterbook,
)
from scheduler.control.clock import Now
from scheduler.control.effects import Effect, FetchWeather, Note, SendAsk, SendClose, WakeAt
from scheduler.control.events import Event
from scheduler.control.ledger import balance_days, take_weather
from scheduler.control.links import own_link_broke
from scheduler.control.pulses import begun_before_start, next_run
from scheduler.control.state import OpenIntent, Saved, State, Turn
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.sensing.flow import fresh_flow, joined
from scheduler.sensing.level import LevelTrack, fresh_track, measured_by_hand
from scheduler.site.model import Site

__all__ = ["Saved", "State", "begin", "step"]

# Longest sleep between two looks at the clocks; the node's heartbeats mostly come sooner.
WAKE_MAX_S = 600.0
WAKE_BUSY_S = 5.0
# A run that something holds up (a stop, a silent node) is looked at so often; what frees it is an event.
WAKE_HELD_UP_S = 60.0
# After a failed fetch the weather is asked for again this much later.
REFETCH_S = 3600.0
# Past days whose rain and temperature a new garden starts its balance from.
FIRST_DAYS = 1


def begin(
    site: Site, saved: Saved, now: Now, model: GardenModel | None = None
) -> tuple[State, tuple[Effect, ...]]:
    """The state after a start: what the store remembers, no valve believed shut until the node says so.

    ``model`` saves the work of building it when the shell has one of the same site.
    """
    track = fresh_track()
    if saved.level_offset_m:
        track = replace(track, offset_m=saved.level_offset_m)
    if saved.hand_level is not None and site.sensor is None:
        measured_at, measured_m = saved.hand_level
        track, _ = measured_by_hand(track, measured_m, measured_at, site)
    learned = dict(saved.flow_factors)
    since = now.wall if now.trust != "unknown" else None
    known = {z.plant: z for z in saved.root_zones}
    zones = tuple(known.get(p.id) or full_root_zone(p) for p in site.plants)
    today = now.wall.astimezone(site.place.timezone).date()
    balanced_day = saved.balanced_day
    if balanced_day is None and now.trust != "unknown":
        balanced_day = today - timedelta(days=FIRST_DAYS)
    base_day, base_zones = _base(site, saved) or (balanced_day, zones)
    state = State(
        site=site,
        model=model or garden_model(site),
        track=track,
        intents=tuple(OpenIntent(i, now.monotonic_s, restored=True) for i in saved.open_intents),
        booked=tuple(sorted(saved.booked)),
        base_day=base_day,
        base_zones=base_zones,
        zones_now=zones,
        balanced_day=balanced_day,
        given_l=saved.given_l,
        weather=saved.weather,
        rain_known=frozenset(d.day for d in saved.weather if d.told_mm is not None and d.day < today),
        outlook=saved.outlook,
        flow=joined((z.id, learned.get(z.id) or fresh_flow(z, since)) for z in site.zones),
        alarms=saved.alarms,
        book=saved.book,
        draws=saved.draws,
        water_days=saved.water_days,
        holds=saved.holds,
        choices=saved.choices,
        past=saved.past,
        rain_typed=saved.rain_typed,
        rests=(today, begun_before_start(saved, today)),
        stopped_by=saved.stopped_by,
        leak=saved.leak,
        fetch_at_mono_s=now.monotonic_s,
        ask_at_mono_s=now.monotonic_s,
        silent_since_mono_s=now.monotonic_s,
        unknown_since_mono_s=now.monotonic_s,
    )
    turn = Turn(state, now)
    if saved.open_intents:
        turn.emit(
            Note(f"{len(saved.open_intents)} order(s) from before the start are not booked; asking the node.")
        )
    for request in saved.requests:
        people.take_up(turn, request)
    _routine(turn)
    return turn.state, tuple(turn.effects)


def _base(site: Site, saved: Saved) -> tuple[date, tuple[RootZone, ...]] | None:
    """The stored base, if it knows every plant of the garden."""
    if saved.base is None:
        return None
    day, zones = saved.base
    known = {z.plant: z for z in zones}
    return (day, tuple(known[p.id] for p in site.plants)) if all(p.id in known for p in site.plants) else None


def step(state: State, event: Event, now: Now) -> tuple[State, tuple[Effect, ...]]:
    """The state after one event, and what the shell must do, in order."""
    turn = Turn(state, now)
    _hear(turn, event)
    _routine(turn)
    return turn.state, tuple(turn.effects)


def _hear(turn: Turn, event: Event) -> None:
    match event:
        case events.Tick():
            supervision.age_belief(turn)
        case events.NodeHeard():
            supervision.hear_node(turn, event)
        case events.LinkChanged(connected):
            _link(turn, connected)
        case events.WeatherArrived(outlook):
            turn.change(
                weather_fault=None if _is_newer(turn, outlook) else turn.state.weather_fault,
                rain_known=_rain_known(turn, outlook),
                outlook=outlook,
            )
            take_weather(turn, outlook.days)
            waterbook.settle(turn)
        case events.WeatherFailed(text):
            turn.change(weather_fault=text, fetch_at_mono_s=turn.now.monotonic_s + REFETCH_S)
            turn.emit(Note(f"No weather: {text}"))
        case events.RequestMade(request):
            people.hear_request(turn, request)
        case events.RainMeasured(day, rain_mm):
            people.take_gauge(turn, day, rain_mm)
        case events.GardenTested():
            turn.change(tested=event)
        case events.StoreFailed(text):
            turn.change(store_fault=text)
        case events.StoreRecovered():
            turn.change(store_fault=None)
        case events.Leaving():
            turn.change(leaving=True)
            turn.emit(SendClose(None), SendAsk())


def _is_newer(turn: Turn, outlook: Outlook) -> bool:
    """Whether it was fetched since the last one; the same one again means that nobody answers."""
    return turn.state.outlook is None or outlook.fetched_at > turn.state.outlook.fetched_at


def _rain_known(turn: Turn, outlook: Outlook) -> frozenset[date]:
    """The days whose rain this outlook tells after they were over: only that is no forecast any more."""
    zone = turn.state.site.place.timezone
    told = {
        d.day
        for d in outlook.days
        if d.rain_mm is not None and d.day < outlook.origin(d.day, "rain_mm")[1].astimezone(zone).date()
    }
    return turn.state.rain_known | told


def _link(turn: Turn, connected: bool) -> None:
    if turn.state.connected and not connected:
        own_link_broke(turn)
    turn.change(connected=connected)
    turn.emit(Note("The broker is reached." if connected else "The broker is lost; trying again."))
    if connected:
        turn.change(ask_at_mono_s=turn.now.monotonic_s)
        if turn.state.stopped_by is not None:
            turn.emit(SendClose(None))
        turn.emit(SendAsk())


def _routine(turn: Turn) -> None:
    """What time makes due. Nothing by the calendar while the clock is unknown."""
    supervision.watch_silence(turn)
    _take_tested(turn)
    _fetch(turn)
    if turn.now.trust != "unknown":
        if turn.state.base_day is None:  # a new garden whose clock became known only now
            yesterday = turn.local_day - timedelta(days=FIRST_DAYS)
            turn.change(base_day=yesterday, balanced_day=yesterday)
        # The day's water first: what the barrels saw of its rain belongs to the balance of the roots.
        leaks.watch_leak(turn)
        waterbook.keep_book(turn)
        balance_days(turn)
        schedule.plan_if_due(turn)
    people.serve_waiting(turn)
    run = next_run(turn.state)
    waits = run is not None and run.start <= turn.now.wall
    proof.prove_run(turn, next_run_waits=waits and ordering.gap_over(turn))
    ordering.start_due_run(turn)
    conditions.watch(turn)
    _wake(turn)


def _take_tested(turn: Turn) -> None:
    """Plan with the garden as tested, once no run is under way: an order is booked by the garden it was
    sized for."""
    state, tested = turn.state, turn.state.tested
    if tested is None or state.intents:
        return
    afresh = dict(tested.flow)
    known = set(state.flow.zones)
    flow = joined(
        (
            z.id,
            afresh.get(z.id) or (state.flow.factor(z.id) if z.id in known else fresh_flow(z, turn.now.wall)),
        )
        for z in tested.site.zones
    )
    same_level = (tested.site.sensor, tested.site.tank) == (state.site.sensor, state.site.tank)
    turn.change(
        site=tested.site,
        model=tested.model,
        tested=None,
        flow=flow,
        proof=None,
        plan_key=None,
        track=state.track if same_level else _track_anew(state, tested.site),
    )
    if not same_level:
        supervision.age_belief(turn)
    turn.emit(Note("Planning with the garden as tested."))


def _track_anew(state: State, site: Site) -> LevelTrack:
    """Forget the readings of another tank; what a person found of the sensor's zero holds for that sensor."""
    track = fresh_track()
    if site.sensor != state.site.sensor:
        return track
    return replace(track, offset_m=state.track.offset_m, offset_sd_m=state.track.offset_sd_m)


def _fetch(turn: Turn) -> None:
    """At the forecast's own pace, and once soon after midnight: yesterday's rain must be known by dawn."""
    state, now_s = turn.state, turn.now.monotonic_s
    if turn.now.trust == "unknown":
        return
    yesterday = turn.local_day - timedelta(days=1)
    stale = bool(state.rain_known) and yesterday not in state.rain_known
    if now_s >= state.fetch_at_mono_s or (stale and now_s >= state.asked_weather_mono_s + REFETCH_S):
        turn.change(fetch_at_mono_s=now_s + state.site.forecast.refresh_h * 3600, asked_weather_mono_s=now_s)
        turn.emit(FetchWeather())


def _until(turn: Turn, start: datetime) -> float:
    """Seconds to a run's start. A run that is held up waits for an event, or for the rest after the last."""
    wait_s = (start - turn.now.wall).total_seconds()
    if wait_s > 0.0:
        return max(1.0, wait_s)
    return max(1.0, ordering.gap_left_s(turn)) if not ordering.gap_over(turn) else WAKE_HELD_UP_S


def _wake(turn: Turn) -> None:
    state, now = turn.state, turn.now
    busy = bool(state.intents) or state.phase == "unproven" or bool(state.waiting)
    in_s = WAKE_BUSY_S if busy else WAKE_MAX_S
    run = next_run(state)
    if run is not None and not busy:
        in_s = min(in_s, _until(turn, run.start))
    if state.proof is not None and now.monotonic_s - state.proof.ended_mono_s < supervision.PROOF_READ_S:
        in_s = min(in_s, supervision.PROOF_ASK_S)
    turn.emit(WakeAt(in_s))
