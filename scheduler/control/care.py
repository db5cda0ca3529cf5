"""What a garden must have done to it, how often, and what is due. People tell what they did.

Intervals are those of published guides to the upkeep of drip lines and the trade's habit; a household may do
without: nothing is watered less because care is late.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.control.effects import RecordChoice

CARE = "care "


@dataclass(frozen=True, slots=True)
class CareTask:
    """``every_days`` None: when there is cause, not by the calendar. ``after_winter``: asked for when the
    garden is brought back."""

    id: str
    words: str
    every_days: int | None = None
    after_winter: bool = False


# Filter at least twice a month, flush monthly (Akvopedia, Drip irrigation); the level by hand monthly (the
# trade's habit, no source); catch cans yearly (UF/IFAS AE094). What follows a winter: the trade's habit (no
# source).
TASKS: tuple[CareTask, ...] = (
    CareTask("drains", "drains and taps of the barrels shut", None, True),
    CareTask("barrels", "barrels rinsed", None, True),
    CareTask("filter", "filter cleaned", 14, True),
    CareTask("flush", "lines flushed", 30, True),
    CareTask("joints", "joints walked along and looked at for drips, valve open", None, True),
    CareTask("level", "level measured by hand", 30, True),
    CareTask("cans", "emitters measured with catch cans", 365, True),
    CareTask("emitters", "emitters cleaned or turned"),
    CareTask("battery", "battery charged or changed"),
    CareTask("valves", "valves turned to their winter position by hand"),
)
# After these a zone may give more again than it was learned to give.
CLEANS: frozenset[str] = frozenset({"filter", "flush", "emitters"})
BY_ID: Mapping[str, CareTask] = {t.id: t for t in TASKS}


@dataclass(frozen=True, slots=True)
class CareDue:
    """``last`` None: never told. ``since``: the day from which it is due."""

    task: CareTask
    since: date
    last: date | None


def care_done(choices: Iterable[RecordChoice]) -> dict[str, date]:
    """The last day of each task, as told."""
    return {
        c.subject.removeprefix(CARE): date.fromisoformat(c.value)
        for c in choices
        if c.subject.startswith(CARE) and c.value is not None
    }


def care_due(
    done: Mapping[str, date],
    *,
    first_day: date | None,
    back_since: date | None,
    last_day: date,
) -> tuple[CareDue, ...]:
    """What is due up to ``last_day``, the longest due first.

    ``first_day``: of this garden's records (None: not known, then nothing that was never told is called due);
    ``back_since``: when it was last brought back from the winter; None: never.
    """
    found = []
    for task in TASKS:
        since = _since(task, done.get(task.id), first_day, back_since)
        if since is not None and since <= last_day:
            found.append(CareDue(task, since, done.get(task.id)))
    return tuple(sorted(found, key=lambda d: d.since))


def _since(task: CareTask, last: date | None, first_day: date | None, back: date | None) -> date | None:
    if task.after_winter and back is not None and (last is None or last < back):
        return back
    begun = last or first_day
    if task.every_days is None or begun is None:
        return None
    return begun + timedelta(days=task.every_days)


def due_words(due: Sequence[CareDue], today: date) -> str:
    """In one line: "filter cleaned (last on 3 July), lines flushed (never told)"."""
    return ", ".join(f"{d.task.words} ({_last_words(d, today)})" for d in due)


def _last_words(due: CareDue, today: date) -> str:
    if due.last is None:
        return "never told"
    year = f" {due.last.year}" if due.last.year != today.year else ""
    return f"last on {due.last.day} {due.last:%B}{year}"
