"""What people choose: how the store is spent, which plant comes first, whether the reserve is released.

A choice is durable and holds until it is taken back; the next plan is made by it at once.
"""

from __future__ import annotations

from collections.abc import Sequence

from scheduler.control.effects import Note, RecordAnswer, RecordChoice
from scheduler.control.events import Request
from scheduler.control.state import Turn
from scheduler.planning.choices import DEFAULT_WAY, RANK_LEAST, RANK_MOST, WAYS, Choices, Way
from scheduler.planning.words import WAY_WORDS
from scheduler.site.showing import show_volume

RATION, RESERVE, RANK = "ration", "reserve", "rank "
RELEASED = "released"


def choices_of(records: Sequence[RecordChoice]) -> Choices:
    """What holds now, from the newest record of each subject."""
    values = {r.subject: r.value for r in records if r.value is not None}
    said = values.get(RATION)
    way = next((w for w in WAYS if w == said), DEFAULT_WAY)
    ranks = {s.removeprefix(RANK): int(v) for s, v in values.items() if s.startswith(RANK)}
    return Choices(way, ranks, values.get(RESERVE) == RELEASED)


def choose(turn: Turn, request: Request) -> None:
    """Take in a choice and plan anew by it; refused where it names what there is not."""
    if request.kind == "rank":
        _rank(turn, request)
    elif request.kind == "reserve":
        _reserve(turn, request)
    else:
        _way(turn, request)


def _way(turn: Turn, request: Request) -> None:
    way: Way | None = next((w for w in WAYS if w == request.subject), None)
    if way is None and request.subject is not None:
        text = f"There is no way called {request.subject!r}; there are {', '.join(WAYS)}."
        _answer(turn, request, False, text)
        return
    _keep(turn, request, RATION, way)
    if way is None:
        text = f"Taken back: while water is short it goes {WAY_WORDS[DEFAULT_WAY]}."
    else:
        text = f"From now on, while water is short it goes {WAY_WORDS[way]}. Planned anew."
    _answer(turn, request, True, text)


def _rank(turn: Turn, request: Request) -> None:
    plants = {p.id: p for p in turn.state.site.plants}
    plant = plants.get(request.subject or "")
    if plant is None:
        _answer(turn, request, False, f"There is no plant called {request.subject!r} in this garden.")
        return
    rank = request.amount
    if rank is None:
        _keep(turn, request, RANK + plant.id, None)
        _answer(turn, request, True, f"{plant.name} has its rank of the site file again, {plant.rank}.")
        return
    if rank != int(rank) or not RANK_LEAST <= rank <= RANK_MOST:
        text = f"Read {rank:g}; a rank is a whole number from {RANK_LEAST} (watered first) to {RANK_MOST}."
        _answer(turn, request, False, text)
        return
    _keep(turn, request, RANK + plant.id, str(int(rank)))
    text = (
        f"{plant.name} has rank {int(rank)} from now on (the site file says {plant.rank}). Planned anew. "
        "Ranks count while water is short: fallinghead ration says who gets how much then."
    )
    _answer(turn, request, True, text)


def _reserve(turn: Turn, request: Request) -> None:
    state = turn.state
    reserve = show_volume(state.site.reserve.volume_l, state.site.units)
    if request.subject not in (None, RELEASED):
        _answer(turn, request, False, f"Read {request.subject!r}; the reserve is kept or {RELEASED}.")
        return
    _keep(turn, request, RESERVE, request.subject)
    text = (
        f"The reserve of {reserve} is kept again."
        if request.subject is None
        else f"The reserve of {reserve} is released: planning draws on it down to where emitters stop."
    )
    _answer(turn, request, True, text)


def _keep(turn: Turn, request: Request, subject: str, value: str | None) -> None:
    record = RecordChoice(subject, value, request.who, turn.now.wall)
    others = tuple(c for c in turn.state.choices if c.subject != subject)
    turn.emit(record)
    turn.change(choices=(*others, record), plan_key=None)


def _answer(turn: Turn, request: Request, done: bool, text: str) -> None:
    turn.emit(RecordAnswer(request.id, turn.now.wall, done, text), Note(f"To {request.who}: {text}"))
