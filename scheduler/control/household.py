"""What a household tells of the year: drained for the winter and back, away, care done, a message put off.

Each is durable as a choice and holds until another word of the same kind.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta

from scheduler.control import proof
from scheduler.control.alarms import RULES
from scheduler.control.care import BY_ID, CARE, CLEANS, TASKS
from scheduler.control.effects import AlertKind, Note, RecordAnswer, RecordChoice
from scheduler.control.events import Request
from scheduler.control.spans import Span, read_day, read_span
from scheduler.control.state import Turn
from scheduler.control.winter import (
    DRAINED_AGO_MOST,
    LEVEL_OF_WATER_M,
    WINTER,
    back_value,
    valves_in_winter,
    winter_of,
)
from scheduler.site.showing import show_length, show_volume

AWAY, QUIET = "away", "quiet "
# Longer is a slip of the year (choices of this project).
AWAY_MOST = timedelta(days=370)
QUIET_MOST = timedelta(days=120)
CARE_AGO_MOST = timedelta(days=400)


def away_of(choices: Sequence[RecordChoice], today: date) -> Span | None:
    """When nobody is at home, as told; None: no such days are told, or they are over."""
    told = next((c.value for c in choices if c.subject == AWAY), None)
    span = read_span(told) if told is not None else None
    return span if span is not None and span.last is not None and span.last >= today else None


def quiet_until(choices: Sequence[RecordChoice]) -> dict[str, date]:
    """Kind of message -> the first day on which it is told again, as people asked."""
    return {
        c.subject.removeprefix(QUIET): date.fromisoformat(c.value)
        for c in choices
        if c.subject.startswith(QUIET) and c.value is not None
    }


def hear_household(turn: Turn, request: Request) -> None:
    """Take it in, or say in one sentence why it cannot be."""
    try:
        _HEARD[request.kind](turn, request)
    except ValueError as error:
        _answer(turn, request, False, f"{str(error)[:1].upper()}{str(error)[1:]}.")


# ---- Winter ----------------------------------------------------------------------------------------------


def _winter(turn: Turn, request: Request) -> None:
    if request.subject is None:
        _bring_back(turn, request)
        return
    span = read_span(request.subject)
    if span.first > turn.local_day:
        raise ValueError(f"{_day(span.first)} is still to come; tell it when the garden is drained")
    if turn.local_day - span.first > DRAINED_AGO_MOST:
        raise ValueError(f"read {span.first}; that is too long ago, is the year right?")
    if span.last is not None and span.last <= turn.local_day:
        raise ValueError(f"read {span.last} as the day to bring it back; it must be still to come")
    if turn.state.intents:
        raise ValueError("a run is under way; stop it, or tell this when it is over")
    _keep(turn, request, WINTER, str(span))
    _answer(turn, request, True, _drained_words(turn, span))


def _who_says(turn: Turn) -> str:
    """Whose the believed level is."""
    recent = turn.state.track.recent
    return "the last measure by hand" if recent and recent[-1].by_hand else "the sensor"


def _drained_words(turn: Turn, span: Span) -> str:
    """What holds from now on, and what the sensor and the valves say to it."""
    state = turn.state
    until = f", probably until {_day(span.last)}" if span.last is not None else ""
    text = f"Drained since {_day(span.first)}{until}: nothing is opened and little is told until it is back."
    level_m = state.belief.level_m
    if level_m is None:
        text += " The level is not known."
    elif level_m > LEVEL_OF_WATER_M:
        volume = show_volume(state.model.stage.volume_l(level_m), state.site.units)
        level = show_length(level_m, state.site.units)
        text += f" But {_who_says(turn)} says {level}, {volume} above the outlet: that would freeze."
    else:
        text += f" {_who_says(turn).capitalize()} agrees that the barrels are empty down to the outlet."
    for valve in valves_in_winter(state.site, positions_of(turn), state.choices):
        text += f" Valve of {state.site.zone(valve.zone).name}: {valve.words}."
    return text


def positions_of(turn: Turn) -> Mapping[int, str] | None:
    """Where the valves are, as the node last said; None: it was not heard since the start."""
    node = turn.state.node
    return {v.channel: v.position for v in node.valves} if node is not None else None


def _bring_back(turn: Turn, request: Request) -> None:
    drained = winter_of(turn.state.choices).drained
    if drained is None:
        _answer(turn, request, True, "It was not drained; all goes on as planned.")
        return
    proof.rest_flows(turn, drained.first)
    _keep(turn, request, WINTER, back_value(turn.local_day))
    checks = ", ".join(t.words for t in TASKS if t.after_winter)
    text = (
        f"Brought back: planned again from now on. Still to be done and told, one by one: {checks}. Until a "
        "level is known nothing is opened."
    )
    _answer(turn, request, True, text)


# ---- Away, care, messages --------------------------------------------------------------------------------


def _away(turn: Turn, request: Request) -> None:
    if request.subject is None:
        _keep(turn, request, AWAY, None)
        _answer(turn, request, True, "Noted: somebody is at home.")
        return
    span = read_span(request.subject)
    if span.last is None or span.last - span.first > AWAY_MOST:
        raise ValueError("say until which day you are away, at most a year")
    if span.last < turn.local_day:
        raise ValueError(f"{_day(span.last)} is over; nothing is noted")
    _keep(turn, request, AWAY, str(span))
    text = f"Away from {_day(span.first)} to {_day(span.last)} noted."
    _answer(turn, request, True, f"{text} {_through_words(turn, span)}")


def _through_words(turn: Turn, span: Span) -> str:
    """Whether the water lasts until they are back, by the last plan."""
    store = turn.state.plan.store if turn.state.plan is not None else None
    if store is None or store.usable_l is None or span.last is None:
        return "Whether the water lasts so long is not known yet."
    if not turn.state.weather:
        return "Whether the water lasts so long is not known: no weather is known yet."
    last = (span.last - turn.local_day).days + 1
    if store.horizon_days < last:
        return f"The plan looks {store.horizon_days} days ahead only; ask again nearer to it."
    if store.days_left_early is None or store.days_left_early >= last:
        return "The water lasts that long in nine of ten ways the weather may go."
    if store.days_left_middle is not None and store.days_left_middle < last:
        return "The water does not last that long: top up before, or have a helper do it."
    return "The water may not last that long: top up before, or have a helper do it."


def _care(turn: Turn, request: Request) -> None:
    name, _, on = (request.subject or "").partition(" ")
    if name not in BY_ID:
        raise ValueError(f"read {name!r}; what can be told as done is {', '.join(BY_ID)}")
    day = read_day(on) if on else turn.local_day
    if day > turn.local_day or turn.local_day - day > CARE_AGO_MOST:
        raise ValueError(f"read {day}; tell what was done by today, and within a year or so")
    _keep(turn, request, CARE + name, day.isoformat(), replan=False)
    if name in CLEANS:
        proof.doubt_flows(turn, day)
    every = BY_ID[name].every_days
    again = f" Due again on {_day(day + timedelta(days=every))}." if every is not None else ""
    _answer(turn, request, True, f"{_first_up(BY_ID[name].words)}, on {_day(day)}: noted.{again}")


def _quiet(turn: Turn, request: Request) -> None:
    name, _, until = (request.subject or "").partition(" ")
    kind: AlertKind | None = next((k for k in RULES if k == name), None)
    if kind is None:
        raise ValueError(f"there is no message of the kind {name!r}")
    if not until:
        _keep(turn, request, QUIET + kind, None, replan=False)
        _answer(turn, request, True, "It is told again when there is cause.")
        return
    if RULES[kind].urgent:
        raise ValueError("what is urgent is told at any hour and cannot be put off")
    day = read_day(until)
    if not turn.local_day < day <= turn.local_day + QUIET_MOST:
        raise ValueError(f"read {day}; put off to a day from tomorrow to {QUIET_MOST.days} days from now")
    _keep(turn, request, QUIET + kind, day.isoformat(), replan=False)
    text = f"Not sent before {_day(day)}. It still stands on the page, and is told then if it is still so."
    _answer(turn, request, True, text)


_HEARD: Mapping[str, Callable[[Turn, Request], None]] = {
    "winter": _winter,
    "away": _away,
    "care": _care,
    "quiet": _quiet,
}
HOUSEHOLD: frozenset[str] = frozenset(_HEARD)


def _day(day: date | None) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}" if day is not None else ""


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _keep(turn: Turn, request: Request, subject: str, value: str | None, *, replan: bool = True) -> None:
    record = RecordChoice(subject, value, request.who, turn.now.wall)
    others = tuple(c for c in turn.state.choices if c.subject != subject)
    turn.emit(record)
    turn.change(choices=(*others, record))
    if replan:
        turn.change(plan_key=None)


def _answer(turn: Turn, request: Request, done: bool, text: str) -> None:
    turn.emit(RecordAnswer(request.id, turn.now.wall, done, text), Note(f"To {request.who}: {text}"))
