"""What people ask and tell: stop, start again, water this now, hold that, I measured the level, it rained, I
moved water by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import cast

from scheduler.agronomy.need import available_mm
from scheduler.control import waterbook
from scheduler.control.choosing import choose
from scheduler.control.effects import (
    HandKind,
    Intent,
    Note,
    RecordAnswer,
    RecordCalibration,
    RecordHandWater,
    RecordHold,
    RecordRain,
    RecordStop,
    SendAsk,
    SendClose,
)
from scheduler.control.events import Request
from scheduler.control.household import HOUSEHOLD, hear_household
from scheduler.control.ledger import day_given_l, take_weather
from scheduler.control.openings import open_for, shut
from scheduler.control.ordering import give, obstacles
from scheduler.control.state import Turn, WaterDraw
from scheduler.control.supervision import believe
from scheduler.sensing.level import ZERO_OFF_MAX_M, measured_by_hand
from scheduler.site.showing import show_length, show_rain, show_volume
from scheduler.supply.told_level import refused_level

# After a start the node is heard within seconds; nobody is refused before (a choice of this project).
START_PATIENCE_S = 30.0
# A plant is not given more by hand than so many fillings of its roots; more rain on a day than this, or a
# longer hold, is a slip of the key or of the unit (300 mm as for weather files; a season).
GAVE_MOST_FILLS = 3.0
RAIN_MOST_MM = 300.0
HOLD_MOST_H = 24.0 * 120
# Less is no water.
LEAST_MOVED_L = 1e-6
# Days of typed rain kept.
TYPED_KEPT = 30


def hear_request(turn: Turn, request: Request) -> None:
    """Act on a request that is already durable; each gets an answer, once it is known what became of it."""
    if request.kind == "stop":
        _stop(turn, request)
    elif request.kind == "resume":
        _resume(turn, request)
    elif request.kind == "measured":
        _measured(turn, request)
    elif request.kind in ("took", "topped_up", "gave"):
        _moved(turn, request)
    elif request.kind == "rained":
        _rained(turn, request)
    elif request.kind == "hold":
        _hold(turn, request)
    elif request.kind == "open_for":
        open_for(turn, request)
    elif request.kind == "shut":
        shut(turn, request)
    elif request.kind in ("ration", "rank", "reserve"):
        choose(turn, request)
    elif request.kind in HOUSEHOLD:
        hear_household(turn, request)
    else:
        turn.change(waiting=(*turn.state.waiting, request))


def take_up(turn: Turn, request: Request) -> None:
    """A request that an earlier life of the service left unanswered. Water whose order was already made is
    not given a second time: that order is booked as the node reports it."""
    if request.kind == "water" and any(_made_for(h.intent, request) for h in turn.state.intents):
        text = (
            "The order for this was made just before the service was started anew; its report tells "
            "what became of it."
        )
        _answer(turn, request, True, text)
        return
    hear_request(turn, request)


def _made_for(intent: Intent, request: Request) -> bool:
    subjects = (intent.zone, *(plant for plant, _litres in intent.planned_l))
    return intent.asked_by == request.who and intent.made_at >= request.at and request.subject in subjects


def _answer(turn: Turn, request: Request, done: bool, text: str) -> None:
    turn.emit(RecordAnswer(request.id, turn.now.wall, done, text), Note(f"To {request.who}: {text}"))


def _stop(turn: Turn, request: Request) -> None:
    """The close goes out before anything else, even before the record of it."""
    turn.emit(SendClose(None))
    turn.change(stopped_by=request.who, confirm_stop=(*turn.state.confirm_stop, request.id))
    for waiting in turn.state.waiting:
        _answer(turn, waiting, False, f"Not watered: {request.who} stopped all watering.")
    turn.change(waiting=())
    turn.emit(RecordStop(True, request.who, turn.now.wall))
    text = "Stopped. Close orders are sent; the node has not confirmed yet."
    _answer(turn, request, True, text)
    turn.emit(SendAsk())


def _resume(turn: Turn, request: Request) -> None:
    if turn.state.stopped_by is None:
        _answer(turn, request, True, "Watering was not stopped; it goes on as planned.")
        return
    turn.change(stopped_by=None, plan_key=None)
    turn.emit(RecordStop(False, request.who, turn.now.wall))
    _answer(turn, request, True, "Watering goes on; the next run is planned anew.")


def _measured(turn: Turn, request: Request) -> None:
    level_m, state = request.amount, turn.state
    refused = refused_level(level_m, state.model.stage.brim_level_m, state.site.units)
    if level_m is None or refused is not None:
        _answer(turn, request, False, refused or "No level was told.")
        return
    before, offset_m = turn.state.belief, turn.state.track.offset_m
    track, belief = measured_by_hand(turn.state.track, level_m, turn.now.wall, turn.state.site)
    turn.change(track=track, proof=None)
    believe(turn, belief)
    turn.emit(RecordCalibration(turn.now.wall, track.offset_m, level_m, request.who))
    units = turn.state.site.units
    if track.offset_m != offset_m:
        was = f"the sensor said {show_length(before.level_m, units)}; it is corrected from now on."
    elif (
        before.quality == "good"
        and before.level_m is not None
        and abs(offset_m + level_m - before.level_m) > ZERO_OFF_MAX_M
    ):
        was = (
            f"the sensor said {show_length(before.level_m, units)}, too far away to be corrected: it counts "
            "until the next good reading. Measure again; look at the sensor and at how high it is mounted."
        )
    else:
        was = "no fresh reading of the sensor to compare it with; it counts until the next good reading."
    _answer(turn, request, True, f"Level {show_length(level_m, units)} noted; {was}")


def _moved(turn: Turn, request: Request) -> None:
    """Water that a person moved enters the books; what it does to the level the sensor says itself.

    A negative amount takes back what was told before on the same day.
    """
    litres = request.amount or 0.0
    if request.kind == "gave" and request.subject not in {p.id for p in turn.state.site.plants}:
        _answer(turn, request, False, f"There is no plant called {request.subject!r} in this garden.")
        return
    against = _against_moving(turn, request, litres)
    if against is not None:
        _answer(turn, request, False, against)
        return
    kind = cast("HandKind", request.kind)
    record = RecordHandWater(
        request.id, _day(turn, request), request.at, kind, request.subject, litres, request.who
    )
    turn.emit(record)
    take_in(turn, record)
    _answer(turn, request, True, _moved_words(turn, record))


def _against_moving(turn: Turn, request: Request, litres: float) -> str | None:
    """Why that much cannot have been moved; None when it can."""
    state, units = turn.state, turn.state.site.units
    if litres == 0.0:
        return "Read 0 L; say how much, more than nothing."
    if litres < 0.0:
        day = _day(turn, request)
        told = state.book.taken_l if request.kind == "took" else state.book.added_l
        if request.kind == "gave":
            told = day_given_l(state, request.subject or "", day)
        elif day != state.book.day:
            told = 0.0
        if -litres > told + LEAST_MOVED_L:
            return f"Only {show_volume(told, units)} stand in the books of that day; nothing is taken back."
        return None
    if request.kind == "gave":
        plant = state.site.plant(request.subject or "")
        most = GAVE_MOST_FILLS * available_mm(plant) * plant.canopy_m2
        what = f"{plant.name}'s roots take"
    else:
        stage = state.model.stage
        most = stage.volume_l(stage.brim_level_m) + stage.litres_below_outlet
        what = "the barrels hold"
    if litres > most:
        return (
            f"Read {show_volume(litres, units)}, but {what} {show_volume(most, units)} at the most: a slip "
            "of the key or of the unit? Several trips are told one by one."
        )
    return None


def take_in(turn: Turn, moved: RecordHandWater) -> None:
    """Let the state know of water moved by hand."""
    state = turn.state
    if moved.kind == "gave":
        assert moved.plant is not None
        turn.change(given_l=(*state.given_l, (moved.day, moved.plant, moved.litres)))
        return
    # The level moved for another reason than a run: a run whose proof stands open cannot be proven by it.
    turn.change(proof=None, track=state.track.changed(poured_at=moved.at))
    taken_l = moved.litres if moved.kind == "took" else 0.0
    waterbook.enter_by_hand(turn, moved.day, taken_l=taken_l, added_l=moved.litres - taken_l)
    if moved.kind == "took":
        turn.change(draws=(*state.draws, WaterDraw(moved.at, moved.litres, by_run=False)))


def _moved_words(turn: Turn, moved: RecordHandWater) -> str:
    volume = show_volume(abs(moved.litres), turn.state.site.units)
    if moved.litres < 0.0:
        return f"{volume} taken back from what was told."
    if moved.kind == "gave":
        assert moved.plant is not None
        return f"{volume} noted for {turn.state.site.plant(moved.plant).name}; it wants so much less."
    if moved.kind == "took":
        return f"{volume} noted as taken from the barrels."
    text = f"{volume} noted as topped up."
    if turn.state.site.sensor is None:
        text += " Without a level sensor, measure the level once it is at rest: fallinghead measured."
    elif not _sensor_tells(turn):
        text += (
            " No fresh reading of the sensor: the level is still that of the last measure. Measure it again "
            "once it is at rest: fallinghead measured."
        )
    return text


def _sensor_tells(turn: Turn) -> bool:
    """Whether readings come that will show what was moved; a person's measure stands alone."""
    belief, recent = turn.state.belief, turn.state.track.recent
    return belief.quality == "good" and bool(recent) and not recent[-1].by_hand


def _day(turn: Turn, request: Request) -> date:
    return request.at.astimezone(turn.state.site.place.timezone).date()


def _rained(turn: Turn, request: Request) -> None:
    rain_mm = request.amount
    try:
        day = date.fromisoformat(request.subject or "")
    except ValueError:
        _answer(turn, request, False, f"Read {request.subject!r} as the day; write it as 2031-07-01.")
        return
    if rain_mm is None or not 0.0 <= rain_mm <= RAIN_MOST_MM:
        most = show_rain(RAIN_MOST_MM, turn.state.site.units)
        # To the digits that were typed: just over the most would read like the most.
        read = "no amount" if rain_mm is None else f"{rain_mm:g} mm of rain"
        _answer(turn, request, False, f"Read {read}; a day brings between 0 and {most}.")
        return
    if day > turn.local_day:
        _answer(turn, request, False, f"{day} is still to come; its rain cannot have been measured.")
        return
    oldest = turn.state.base_day
    if oldest is not None and day <= oldest:
        text = f"The books of {day} are closed; rain counts that fell after {oldest}."
        _answer(turn, request, False, text)
        return
    turn.emit(RecordRain(day, rain_mm, request.who, turn.now.wall))
    take_rain(turn, day, rain_mm)
    text = f"{show_rain(rain_mm, turn.state.site.units)} of rain noted for {day:%A %d %B}."
    _answer(turn, request, True, text + " It counts before what the weather service says.")


def take_gauge(turn: Turn, day: date, rain_mm: float) -> None:
    """A day's rain by the garden's gauge; a person's word, and what is on record, goes before it."""
    known = any(on == day for on, _ in turn.state.rain_typed)
    oldest = turn.state.base_day
    if known or not 0.0 <= rain_mm <= RAIN_MOST_MM or (oldest is not None and day <= oldest):
        return
    turn.emit(
        RecordRain(day, rain_mm, "rain gauge", turn.now.wall),
        Note(f"The rain gauge had {show_rain(rain_mm, turn.state.site.units)} on {day:%A %d %B}."),
    )
    take_rain(turn, day, rain_mm)


def take_rain(turn: Turn, day: date, rain_mm: float) -> None:
    """Rain of a day as measured in the garden, typed or by a gauge: the balances are worked out again."""
    turn.change(rain_typed=(*turn.state.rain_typed, (day, rain_mm))[-TYPED_KEPT:])
    take_weather(turn, ())
    waterbook.settle(turn)


def _hold(turn: Turn, request: Request) -> None:
    """Hold a zone (or all of them) for so many hours; 0 hours end a hold."""
    state = turn.state
    known = {z.id for z in state.site.zones}
    if request.subject is not None and request.subject not in known:
        text = f"There is no zone called {request.subject!r}; there are {', '.join(sorted(known))}."
        _answer(turn, request, False, text)
        return
    hours = request.amount if request.amount is not None else -1.0
    if not 0.0 <= hours <= HOLD_MOST_H:
        _answer(
            turn, request, False, f"Read {hours:g} h; hold for at most {HOLD_MOST_H / 24:g} days, or stop."
        )
        return
    until = request.at + timedelta(hours=hours)
    zones = [request.subject] if request.subject is not None else sorted(known)
    records = [RecordHold(z, until, request.who, turn.now.wall) for z in zones]
    turn.emit(*records)
    kept = tuple(h for h in state.holds if h.zone not in zones)
    turn.change(holds=(*kept, *records), plan_key=None)
    names = ", ".join(state.site.zone(z).name for z in zones)
    if hours == 0.0:
        _answer(turn, request, True, f"{names}: no longer held; planned anew.")
        return
    local = until.astimezone(state.site.place.timezone)
    _answer(turn, request, True, f"{names}: held until {local:%A %d %B %H:%M %Z}. Then it is planned anew.")


def serve_waiting(turn: Turn) -> None:
    """Water asked for by a person goes before the plan, inside the reserve, at any hour."""
    if not turn.state.waiting:
        return
    request = turn.state.waiting[0]
    against = obstacles(turn.state, turn.now.monotonic_s, clock_known=True)
    if against and turn.state.phase in ("ordered", "running"):
        return  # wait for the run under way
    if against and _just_started(turn):
        return
    turn.change(waiting=turn.state.waiting[1:])
    if against:
        _answer(turn, request, False, f"Not watered: {'; '.join(against)}.")
        return
    _water(turn, request)


def _just_started(turn: Turn) -> bool:
    """Nothing was heard of the node since the start, and there was hardly time for it."""
    state = turn.state
    waited_s = turn.now.monotonic_s - state.silent_since_mono_s
    return state.node is None and state.stopped_by is None and waited_s < START_PATIENCE_S


def _water(turn: Turn, request: Request) -> None:
    state = turn.state
    litres = request.amount or 0.0
    zone_ids = {z.id for z in state.site.zones}
    subject = request.subject or ""
    try:
        zone = state.site.zone(subject) if subject in zone_ids else state.site.zone_of(subject)
    except KeyError:
        _answer(turn, request, False, f"There is no zone or plant called {subject!r} in this garden.")
        return
    if litres <= 0:
        _answer(turn, request, False, f"Read {litres:g} L; say how many litres, more than 0.")
        return
    whole_zone = subject in zone_ids
    targets = _shared_by_flow(turn, zone.id, litres) if whole_zone else {subject: litres}
    reasons = give(turn, zone.id, targets, latest_end=None, asked_by=request.who)
    if reasons:
        _answer(turn, request, False, f"Not watered: {' '.join(r.text for r in reasons)}")
    else:
        _answer(
            turn,
            request,
            True,
            f"The order for {litres:g} L to {subject} is sent; the report follows its end.",
        )


def _shared_by_flow(turn: Turn, zone_id: str, litres: float) -> dict[str, float]:
    """A zone's litres fall to its plants as their emitters flow at the present level."""
    model = turn.state.model.zones[zone_id]
    level_m = turn.state.belief.level_m or 0.0
    flows = model.curve.flows_lph(level_m)
    shares: dict[str, float] = {}
    for plant, flow in zip(model.curve.emitter_plant, flows, strict=True):
        if plant is not None:
            shares[plant] = shares.get(plant, 0.0) + float(flow)
    total = sum(shares.values())
    return {p: litres * f / total for p, f in shares.items()} if total > 0 else {}
