"""A valve opened for a test at the garden: for a time that a person says, never below the floor.

What flows then runs into cans, out of an open line end or into empty lines. So it is booked as drawn from the
barrels, but no plant counts as watered by it, and it teaches nothing of the zone's flow.
"""

from __future__ import annotations

from datetime import timedelta

from scheduler.control.effects import Intent, Note, RecordAnswer, RecordHold, SendAsk, SendClose
from scheduler.control.events import Request
from scheduler.control.ledger import open_equivalent_s
from scheduler.control.ordering import obstacles, order_run
from scheduler.control.state import State, Turn
from scheduler.control.working_level import floor_margin_m, working_level_m
from scheduler.planning.garden import expected_litres
from scheduler.planning.plan import PlannedRun
from scheduler.site.model import Zone
from scheduler.site.showing import show_duration, show_level, show_volume

# Whoever asked stands beside the valve; later than this nobody may be there any more (our choice).
ASKED_AT_MOST_AGO = timedelta(seconds=60)
# After a test the planned runs wait as long: cans are read and the next opening is made (our choice).
AFTER_TEST = timedelta(minutes=30)
SHUT_CONFIRMED = "The node confirms that the valve is shut."


def open_for(turn: Turn, request: Request) -> None:
    """Open a zone's valve at once for so many seconds, or say why not: nobody waits for a test's turn."""
    against = _against(turn, request)
    if against:
        text = f"Not opened: {against}."
        turn.emit(RecordAnswer(request.id, turn.now.wall, False, text), Note(f"To {request.who}: {text}"))
        return
    zone, seconds = turn.state.site.zone(request.subject or ""), request.amount or 0.0
    level_m = working_level_m(turn)
    assert level_m is not None  # looked at above
    run_s = open_equivalent_s(zone.valve, seconds)
    factor = turn.state.flow_factor(zone.id).at(turn.now.wall).value
    expected = expected_litres(turn.state.model, zone.id, level_m, run_s, factor)
    run = PlannedRun(
        zone.id, turn.now.wall, run_s, expected.volume_l, level_m, expected.level_end_m, shares=(), reasons=()
    )
    until = _hold_planned(turn, request.who, timedelta(seconds=seconds))
    order_run(turn, run, level_m, request.who)
    volume = show_volume(expected.volume_l, turn.state.site.units)
    text = (
        f"{zone.name} opens for {show_duration(seconds)}, about {volume} by its curve, and shuts by itself. "
        f"No plant counts as watered. No planned watering starts until {until}."
    )
    turn.emit(RecordAnswer(request.id, turn.now.wall, True, text), Note(f"To {request.who}: {text}"))


def _hold_planned(turn: Turn, who: str, open_for: timedelta) -> str:
    """Hold every zone's planned runs over the test and ``AFTER_TEST``, as a person would, so that the page
    and the status say so; longer holds stay. The local time until when."""
    until = turn.now.wall + open_for + AFTER_TEST
    longer = {h.zone for h in turn.state.holds if h.until >= until}
    records = [
        RecordHold(z.id, until, who, turn.now.wall) for z in turn.state.site.zones if z.id not in longer
    ]
    replaced = tuple(h for h in turn.state.holds if h.zone not in longer)
    turn.change(holds_before_test=replaced)
    _replace_holds(turn, records)
    return f"{until.astimezone(turn.state.site.place.timezone):%H:%M %Z}"


def _replace_holds(turn: Turn, records: list[RecordHold]) -> None:
    zones = {r.zone for r in records}
    turn.emit(*records)
    turn.change(holds=(*(h for h in turn.state.holds if h.zone not in zones), *records))


def _end_holds_sooner(turn: Turn, who: str) -> None:
    """Shut before its time: the holds that came with it end ``AFTER_TEST`` from now, or as what they replaced
    would have. After a restart that is not known, and they stay."""
    until = turn.now.wall + AFTER_TEST
    before = {h.zone: h for h in turn.state.holds_before_test}
    tests = [h.intent for h in turn.state.intents if h.intent.for_test and not h.restored]
    records = []
    for held in turn.state.holds:
        if held.until <= until or not any(_came_with(held, test) for test in tests):
            continue
        own = before.get(held.zone)
        ends, by = (own.until, own.who) if own is not None and own.until > until else (until, who)
        records.append(RecordHold(held.zone, ends, by, turn.now.wall))
    _replace_holds(turn, records)


def _came_with(hold: RecordHold, test: Intent) -> bool:
    """Whether a hold was made by a test's opening, and not by a word of its own in the same instant."""
    ends = test.made_at + timedelta(milliseconds=test.order.open_ms) + AFTER_TEST
    return hold.at == test.made_at and abs(hold.until - ends) < timedelta(seconds=1)


def _against(turn: Turn, request: Request) -> str:
    """Why a valve cannot be opened for a test, in words; empty when it can."""
    state, units, seconds = turn.state, turn.state.site.units, request.amount or 0.0
    zones = {z.id: z for z in state.site.zones}
    if request.subject not in zones:
        return f"there is no zone called {request.subject!r}; there are {', '.join(zones)}"
    zone = zones[request.subject]
    if turn.now.wall - request.at > ASKED_AT_MOST_AGO:
        return "it was asked too long ago; ask again when you stand beside it"
    if not zone.valve.opening_s < seconds <= state.site.node.longest_open_s:
        shortest, longest = show_duration(zone.valve.opening_s), show_duration(state.site.node.longest_open_s)
        read = show_duration(seconds) if seconds > 0.0 else "no time"
        return f"read {read}; the valve takes {shortest} to open and the node keeps it open {longest} at most"
    found = obstacles(state, turn.now.monotonic_s, clock_known=True)
    if found:
        return "; ".join(found)
    level_m = working_level_m(turn)
    if level_m is None:
        return "the level of the water is not known; measure it by hand and tell it: fallinghead measured"
    floor_m = state.model.floor_level_m(zone.id) + floor_margin_m(state)
    end_m = _end_m(turn, zone, level_m, seconds)
    if min(level_m, end_m) <= floor_m:
        now, floor = show_level(level_m, units), show_level(floor_m, units)
        return f"from {now} it would draw the level below the {floor} that are kept; ask for less"
    return ""


def _end_m(turn: Turn, zone: Zone, level_m: float, seconds: float) -> float:
    factor = turn.state.flow_factor(zone.id).at(turn.now.wall).value
    run_s = open_equivalent_s(zone.valve, seconds)
    return expected_litres(turn.state.model, zone.id, level_m, run_s, factor).level_end_m


def shut(turn: Turn, request: Request) -> None:
    """End what was opened for a test. Answered once the node says that every valve is shut."""
    if not open_for_a_test(turn.state):
        text = "No valve stands open for a test."
        turn.emit(RecordAnswer(request.id, turn.now.wall, True, text), Note(f"To {request.who}: {text}"))
        return
    _end_holds_sooner(turn, request.who)
    turn.change(confirm_shut=(*turn.state.confirm_shut, request.id), close_asked_mono_s=turn.now.monotonic_s)
    turn.emit(SendClose(None), SendAsk(), Note(f"{request.who} shuts the valve that was opened for a test."))


def open_for_a_test(state: State) -> bool:
    """Whether an order for a test is under way."""
    return any(h.intent.for_test for h in state.intents)


def confirm_shut(turn: Turn) -> None:
    """Answer those who shut a valve, once it is proven shut."""
    state = turn.state
    if not state.confirm_shut or state.phase != "at_rest":
        return
    for request_id in state.confirm_shut:
        turn.emit(RecordAnswer(request_id, turn.now.wall, True, SHUT_CONFIRMED))
    turn.change(confirm_shut=())
