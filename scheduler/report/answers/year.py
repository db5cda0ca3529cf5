"""Care, days away, messages and the calendar."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer
from scheduler.report.answers.standing import StatusAlertAnswer


class CareTaskAnswer(Answer):
    """A task of care: when last done and when due; None: never told, or only when there is cause."""

    task: str
    words: str
    every_days: int | None
    last: date | None
    due: date | None


class CareAnswer(Answer):
    garden: str
    today: date
    tasks: list[CareTaskAnswer]


class DayTaskAnswer(Answer):
    """Something to be done on a day while the household is away, or just before. ``at_once``: now, for that
    day's evening is too late."""

    day: date
    task: str  # "top_up", "by_hand" or "care"
    words: str
    at_once: bool = False


class AwayAnswer(Answer):
    """``first`` None: nobody said that they are away. ``lasts``: whether the water lasts to the end in nine
    of ten ways of the weather with what the tasks bring; None: not known. ``why_not_known`` says why."""

    garden: str
    today: date
    first: date | None
    last: date | None
    lasts: bool | None
    why_not_known: str
    tasks: list[DayTaskAnswer]


class ToldAnswer(Answer):
    """What became of telling one person of one thing. ``status`` "to_nobody": it was raised, and no message
    of it went to anybody; ``person`` is empty then, and ``at`` when it was raised."""

    at: datetime
    person: str
    kind: str
    text: str
    status: str


class PutOffAnswer(Answer):
    kind: str
    until: date


class MessagesAnswer(Answer):
    garden: str
    standing: list[StatusAlertAnswer]
    put_off: list[PutOffAnswer]
    told: list[ToldAnswer]


class CalendarEntryAnswer(Answer):
    """A run of the plan has ``start`` and ``end``; all else is whole local days, ``first`` to ``last``.

    ``kind``: "run", "foreseen", "runs_short", "care", "stopped" or "drained". ``uid`` stays while the entry
    changes."""

    uid: str
    kind: str
    title: str
    words: str
    start: datetime | None
    end: datetime | None
    first: date | None
    last: date | None
    certain: bool


class CalendarAnswer(Answer):
    garden: str
    timezone: str
    revised_at: datetime
    entries: list[CalendarEntryAnswer]
