"""A form as questions and answers at a terminal, without the terminal.

What was typed so far is a list of texts; where the talk stands is worked out from it each time. So a draft is
that list, going back is putting its last text aside to be offered again, and a stop at any moment loses
nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ValidationError

from scheduler.report.form_examples import Spoken
from scheduler.report.forms import Form, Moment, record_of, row_values
from scheduler.site.errors import NOTHING, QuantityError, UsageError
from scheduler.site.fields import Field, Flag, Kind, Number, Table
from scheduler.site.model import Site
from scheduler.survey.sense import Question, entry_questions, level_questions, travel_questions
from scheduler.survey.tests_done import (
    Can,
    Draw,
    HandLevel,
    LineFlushed,
    PourRead,
    RestReading,
    TestRecord,
    TurnDone,
    WetPlace,
)

_ENTRIES: dict[tuple[str, str], type[BaseModel]] = {
    ("sensor_scale", "reading"): HandLevel,
    ("leak_at_rest", "reading"): RestReading,
    ("wet_walk", "place"): WetPlace,
    ("flush", "line"): LineFlushed,
    ("head_flow", "draw"): Draw,
    ("catch_cans", "can"): Can,
    ("trim", "turn"): TurnDone,
    ("poured", "pour"): PourRead,
}
# Typed where something is offered, for leaving the entry empty.
EMPTY = "-"
_YES, _NO = ("yes", "y"), ("no", "n")


@dataclass(frozen=True, slots=True)
class Talk:
    """Where a form stands. ``asked`` None: every entry is there. ``place``: the row's name for people."""

    head: dict[str, Any] = field(default_factory=dict)
    rows: tuple[dict[str, Any], ...] = ()
    open_row: dict[str, Any] = field(default_factory=dict)
    asked: Field | None = None
    in_row: bool = False
    place: str = ""
    may_end: bool = False

    def prompt(self, offered: str | None = None) -> str:
        """The question. ``offered``: what was typed here before, which Enter takes again."""
        assert self.asked is not None
        about, _, empty = self.asked.about.partition(" (")
        if offered is not None:
            return f"{self.place}{about} ({self._offer(offered)}): "
        hints = (_hint(self.asked, self.place), empty.rstrip(")"), "empty: no more" if self.may_end else "")
        told = "; ".join(h for h in hints if h)
        return f"{self.place}{about}{f' ({told})' if told else ''}: "

    def _offer(self, offered: str) -> str:
        assert self.asked is not None
        if not offered:
            return "Enter: no more, as before" if self.may_end else "Enter: empty, as before"
        empty = self.may_end or not self.asked.required
        return f"Enter keeps {offered}{f'; {EMPTY} for empty' if empty else ''}"


def _hint(asked: Field, place: str) -> str:
    if isinstance(asked.kind, Spoken):
        example = asked.kind.example_at(place.removesuffix(": "))
        return f"such as {example}" if example else ""
    if isinstance(asked.kind, Flag):
        default = {True: ", empty: yes", False: ", empty: no"}.get(asked.default, "")
        return f"yes or no{default}"
    if asked.default is not None:
        return f"empty: {asked.default}"
    examples = None if isinstance(asked.kind, Table) else asked.kind.schema().get("examples")
    return f"such as {examples[0]}" if examples and asked.required else ""


def read_typed(kind: Kind | Table, text: str) -> Any:
    """A typed text as the value of an entry. QuantityError says what to write."""
    assert not isinstance(kind, Table)
    text = text.strip()
    if isinstance(kind, Flag):
        word = text.lower()
        if word in _YES or word in _NO:
            return word in _YES
        raise QuantityError(f'"{text}"', "answer yes or no")
    if isinstance(kind, Number):
        try:
            return kind.read(float(text))
        except ValueError:
            raise QuantityError(f'"{text}"', "give a plain number, such as 4120") from None
    return kind.read(text)


def settled(asked: Field, text: str, now: datetime) -> str:
    """The text as it is kept: "now" is another moment when the draft is taken up tomorrow."""
    kind = asked.kind.kind if isinstance(asked.kind, Spoken) else asked.kind
    if isinstance(kind, Moment) and text.strip().lower() == "now":
        return now.astimezone(kind.zone).isoformat(timespec="seconds")
    return text.strip()


def talk(form: Form, typed: Sequence[str]) -> Talk:
    """Where the talk stands after these texts. QuantityError for a text that cannot be read."""
    left = list(reversed(typed))
    head: dict[str, Any] = {}
    for asked in form.head:
        if not left:
            return Talk(head=head, asked=asked)
        _take(head, asked, left.pop())
    rows: list[dict[str, Any]] = []
    laid = list(form.given) if form.given else None
    while form.rows and (laid is None or len(rows) < len(laid)):
        row = dict([laid[len(rows)]]) if laid is not None else {}
        place = f"{laid[len(rows)][1]}: " if laid is not None else f"{form.rows} {len(rows) + 1}: "
        for number, asked in enumerate(form.asked_in_row):
            may_end = laid is None and number == 0 and len(rows) >= form.least
            if not left:
                return Talk(head, tuple(rows), row, asked, True, place, may_end)
            text = left.pop()
            if may_end and not text:
                return Talk(head, tuple(rows))
            _take(row, asked, text)
        rows.append(row)
    return Talk(head, tuple(rows))


def _take(into: dict[str, Any], asked: Field, text: str) -> None:
    if text:
        into[asked.name] = read_typed(asked.kind, text)
    elif asked.required:
        raise QuantityError(NOTHING, "this one is needed; type back to change the entry before, or stop")
    elif asked.default is not None:
        into[asked.name] = asked.default


def doubts(site: Site, form: Form, zone: str | None, typed: Sequence[str]) -> tuple[Question, ...]:
    """What is to be asked of the last text of ``typed``. QuantityError as in ``talk``."""
    before, after = talk(form, typed[:-1]), talk(form, typed)
    asked = before.asked
    if asked is None:
        return ()
    found: list[Question] = []
    value = (after.open_row or (after.rows[-1] if len(after.rows) > len(before.rows) else {})).get(asked.name)
    if not before.in_row:
        value = after.head.get(asked.name)
    name = f"{before.place}{asked.name}"
    if asked.name in ("level", "level-end") and value is not None:
        found += level_questions(site, value, name)
    elif asked.name in ("opening", "closing") and value is not None and zone is not None:
        found += travel_questions(site.zone(zone), asked.name, value, name)
    if len(after.rows) > len(before.rows):
        seen = {q.text for q in found}
        found += [q for q in _row_doubts(site, form, zone, after) if q.text not in seen]
    return tuple(found)


def _row_doubts(site: Site, form: Form, zone: str | None, after: Talk) -> Sequence[Question]:
    made = _ENTRIES.get((form.kind, form.rows))
    if made is None:
        return ()
    try:
        entries = [made.model_validate(row_values(form.kind, row)) for row in after.rows]
    except ValidationError as error:
        said = error.errors()[0]["msg"].removeprefix("Value error, ")
        return (Question(form.rows, True, f"{said[0].upper()}{said[1:]}."),)
    level_m, run_s = after.head.get("level"), after.head.get("time")
    return entry_questions(site, entries[-1], zone=zone, before=entries[:-1], level_m=level_m, run_s=run_s)


def finished(
    form: Form, typed: Sequence[str], *, zone: str | None, at: datetime, who: str, trims_before: int = 0
) -> TestRecord:
    """The record of a form that has every entry. UsageError where they do not make one."""
    done = talk(form, typed)
    assert done.asked is None
    if form.kind == "leak_at_rest":
        at = max(row["at"] for row in done.rows)
    try:
        return record_of(form, done.head, done.rows, zone=zone, at=at, who=who, trims_before=trims_before)
    except ValidationError as error:
        raise UsageError(f"this is no {form.step} test: {error.errors()[0]['msg']}") from error
