"""A garden's coming runs and days of care as calendar entries, and as an iCalendar feed (RFC 5545, 7986).

A run of the plan is an instant and is written in UTC, so that every calendar shows it at the hour of its own
zone; what is only foreseen, and care, are whole days of the garden's own calendar. An entry keeps its UID
while it changes: the run that was foreseen for Friday is the same entry once it is planned. No entry names a
person: the feed is read by whoever has its link.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import NAMESPACE_URL, uuid5

from scheduler.control.effects import Booking, RecordHold
from scheduler.planning.ahead import Ahead, ComingRun
from scheduler.planning.plan import Plan, PlannedRun
from scheduler.planning.windows import local_midnight
from scheduler.report.answers import CalendarAnswer, CalendarEntryAnswer
from scheduler.report.status import coming_runs
from scheduler.report.year import care_due_by, winter_answer
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume
from scheduler.store.store import Store

if TYPE_CHECKING:
    from icalendar import Event

# So far ahead care is written down (our choice).
CARE_DAYS = 60
# A plan is made anew several times a day; a calendar that asks hourly is never far behind (our choice).
ASK_AGAIN = timedelta(hours=1)
PRODUCT = "-//Fallinghead//Garden calendar//EN"
AT_START = "The run time is worked out again from the level when it starts."
FORESEEN = "Foreseen, not planned yet: weather and level decide."


def calendar_answer(site: Site, store: Store, now: datetime, ahead: Ahead | None) -> CalendarAnswer:
    """All that is coming. ``ahead``: the weeks ahead; None where level or weather is not known, then no run
    after the plan is foreseen."""
    plan = store.last_plan()
    entries = [*_state(site, store, now)]
    if not entries:
        today = now.astimezone(site.place.timezone).date()
        bookings = store.bookings_since(today - timedelta(days=1))
        holds = [h for h in store.holds_now() if h.until > now]
        planned = list(_planned(site, plan, bookings, now)) if plan is not None else []
        entries += planned
        entries += _foreseen(site, coming_runs(ahead, plan), holds, {e.uid for e in planned})
        entries += _short(site, ahead)
        entries += _care(site, store, today)
    return CalendarAnswer(
        garden=site.name,
        timezone=site.place.timezone.key,
        revised_at=plan.made_at if plan is not None else now,
        entries=entries,
    )


def _uid(site: Site, *parts: object) -> str:
    """A UUID, as RFC 7986 5.3 asks, of what the entry is about; so it is the same each time."""
    return str(uuid5(NAMESPACE_URL, " ".join(["fallinghead", site.id, site.node.id, *map(str, parts)])))


def _state(site: Site, store: Store, now: datetime) -> Iterator[CalendarEntryAnswer]:
    """Why there is nothing to come: a stop, the winter."""
    today = now.astimezone(site.place.timezone).date()
    stop = store.stop_state()
    if stop is not None and stop.stopped:
        said = f"Stopped since {_date(site, stop.at)}. Nothing is watered until somebody starts it again."
        yield _day(site, "stopped", today, today, "Watering is stopped", said, True, ("stopped",))
    winter = winter_answer(site, store)
    if winter is not None:
        back = winter.back_on if winter.back_on is not None and winter.back_on > today else today
        said = f"Drained on {winter.drained_on:%d %B}. Nothing is watered."
        first = winter.drained_on
        yield _day(site, "drained", first, back, "Drained for the winter", said, True, ("drained", first))


def _date(site: Site, at: datetime) -> str:
    return f"{at.astimezone(site.place.timezone):%d %B}"


def _planned(
    site: Site, plan: Plan, bookings: Sequence[Booking], now: datetime
) -> Iterator[CalendarEntryAnswer]:
    """The runs of the plan that are not over; the openings of one run are one entry."""
    counts: dict[str, int] = {}
    for group in _groups(plan.runs):
        zone, start, end = group[0].zone, group[0].start, group[-1].start
        end += timedelta(seconds=group[-1].run_s)
        counts[zone] = counts.get(zone, 0) + 1
        if end <= now or any(b.zone == zone and b.at >= end for b in bookings):
            continue
        litres = show_volume(sum(r.volume_l for r in group), site.units)
        open_s = sum(r.run_s for r in group)
        pulses = f" in {len(group)} openings" if len(group) > 1 else ""
        yield CalendarEntryAnswer(
            uid=_run_uid(site, zone, plan.day, counts[zone]),
            kind="run",
            title=f"{site.zone(zone).name}: {litres}",
            words=f"Open {show_duration(open_s)}{pulses} for {litres}. {AT_START}",
            start=start.replace(microsecond=0),
            end=_whole_second(end),
            first=None,
            last=None,
            certain=True,
        )


def _run_uid(site: Site, zone: str, day: date, number: int) -> str:
    return _uid(site, "run", zone, day, *([number] if number > 1 else []))


def _groups(runs: Sequence[PlannedRun]) -> Iterator[list[PlannedRun]]:
    """Openings of one run together: those after the first count up."""
    open_groups: dict[str, list[PlannedRun]] = {}
    found: list[list[PlannedRun]] = []
    for run in runs:
        if run.pulse > 1 and run.zone in open_groups:
            open_groups[run.zone].append(run)
        else:
            open_groups[run.zone] = [run]
            found.append(open_groups[run.zone])
    yield from found


def _whole_second(at: datetime) -> datetime:
    """Upwards: RFC 5545 knows no parts of a second."""
    return at.replace(microsecond=0) + timedelta(seconds=math.ceil(at.microsecond / 1e6))


def _foreseen(
    site: Site, coming: Sequence[ComingRun], holds: Sequence[RecordHold], planned: set[str]
) -> Iterator[CalendarEntryAnswer]:
    for run in coming:
        uid = _run_uid(site, run.zone, run.day, 1)
        ends = local_midnight(run.day + timedelta(days=1), site.place.timezone)
        if uid in planned or any(h.zone == run.zone and h.until >= ends for h in holds):
            continue
        litres = show_volume(run.volume_l, site.units)
        title = f"{site.zone(run.zone).name}: about {litres}"
        yield CalendarEntryAnswer(
            uid=uid,
            kind="foreseen",
            title=title,
            words=FORESEEN,
            start=None,
            end=None,
            first=run.day,
            last=run.day,
            certain=False,
        )


def _short(site: Site, ahead: Ahead | None) -> Iterator[CalendarEntryAnswer]:
    """The middle day on which the water runs short; one entry that moves with what is known."""
    early, middle, late = ahead.days_left if ahead is not None else (None, None, None)
    if ahead is None or middle is None:
        return
    first = ahead.first
    by = f"In one of ten cases by {first + timedelta(days=early):%A %d %B}" if early is not None else ""
    end = f", in nine of ten by {first + timedelta(days=late):%A %d %B}" if late is not None else ""
    words = f"{by}{end}. Top up before, or choose what is watered first: fallinghead ahead."
    day = first + timedelta(days=middle)
    yield _day(site, "runs_short", day, day, "The water runs short about now", words, False, ("short",))


def _care(site: Site, store: Store, today: date) -> Iterator[CalendarEntryAnswer]:
    """Each task on the day it is due; what is overdue stands on today until it is told as done."""
    for due in care_due_by(site, store, today + timedelta(days=CARE_DAYS)):
        last = f"Last on {due.last:%d %B %Y}." if due.last is not None else "Never told so far."
        title = due.task.words[:1].upper() + due.task.words[1:]
        words = f"{last} When it is done: fallinghead care {due.task.id}."
        day = max(due.since, today)
        yield _day(site, "care", day, day, title, words, True, ("care", due.task.id, due.since))


def _day(
    site: Site,
    kind: str,
    first: date,
    last: date,
    title: str,
    words: str,
    certain: bool,
    about: tuple[object, ...],
) -> CalendarEntryAnswer:
    return CalendarEntryAnswer(
        uid=_uid(site, *about),
        kind=kind,
        title=title,
        words=words,
        start=None,
        end=None,
        first=first,
        last=last,
        certain=certain,
    )


def calendar_feed(answer: CalendarAnswer) -> bytes:
    """The entries as an iCalendar object."""
    from icalendar import Calendar  # loaded only to write

    feed = Calendar()
    feed.add("prodid", PRODUCT)
    feed.add("version", "2.0")
    feed.add("name", answer.garden)
    feed.add("refresh-interval", ASK_AGAIN, parameters={"VALUE": "DURATION"})
    for entry in answer.entries:
        feed.add_component(_event(answer, entry))
    written: bytes = feed.to_ical()
    return written


def _event(answer: CalendarAnswer, entry: CalendarEntryAnswer) -> Event:
    from icalendar import Event

    event = Event()
    event.add("uid", entry.uid)
    event.add("dtstamp", answer.revised_at.replace(microsecond=0))
    event.add("summary", f"{entry.title} ({answer.garden})")
    event.add("description", entry.words)
    event.add("status", "CONFIRMED" if entry.certain else "TENTATIVE")
    event.add("transp", "TRANSPARENT")  # nobody is busy while a garden is watered
    if entry.start is not None and entry.end is not None:
        event.add("dtstart", entry.start)
        event.add("dtend", entry.end)
    elif entry.first is not None and entry.last is not None:
        event.add("dtstart", entry.first)
        event.add("dtend", entry.last + timedelta(days=1))  # RFC 5545 3.6.1: the end is not included
    return event


def calendar_words(site: Site, answer: CalendarAnswer) -> list[str]:
    """The entries as lines, by time."""
    zone = site.place.timezone

    def begins(entry: CalendarEntryAnswer) -> datetime:
        return entry.start or local_midnight(entry.first or date.min, zone)

    lines = []
    for entry in sorted(answer.entries, key=begins):
        when = (
            f"{entry.start.astimezone(zone):%a %d %b %H:%M %Z}" if entry.start else f"{entry.first:%a %d %b}"
        )
        lines.append(f"{when}  {entry.title}. {entry.words}")
    return lines or [f"{answer.garden}: nothing is coming that is known of."]
