"""How a garden stands to its year: winter, absences, care. From the store, as objects and as sentences."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from scheduler.control.care import TASKS, CareDue
from scheduler.control.household import away_of
from scheduler.control.winter import valves_in_winter, winter_of
from scheduler.planning.windows import local_midnight
from scheduler.report.answers import (
    CareAnswer,
    CareDueAnswer,
    CareTaskAnswer,
    StatusAwayAnswer,
    StatusWinterAnswer,
    WinterValveAnswer,
)
from scheduler.site.model import Site
from scheduler.store import caring
from scheduler.store.store import Store


def winter_answer(site: Site, store: Store) -> StatusWinterAnswer | None:
    """None: it is not drained. The valves are where the node last said, however long ago."""
    choices = store.choices_now()
    winter = winter_of(choices)
    if winter.drained is None:
        return None
    node = next((n for n in store.nodes_seen() if n.node == site.node.id), None)
    positions = dict(node.valves) if node is not None else None
    return StatusWinterAnswer(
        drained_on=winter.drained.first,
        back_on=winter.drained.last,
        who=winter.who,
        valves=[
            WinterValveAnswer(zone=v.zone, wanted=v.wanted, proven=v.proven, words=v.words)
            for v in valves_in_winter(site, positions, choices)
        ],
    )


def away_now(site: Site, store: Store, now: datetime) -> StatusAwayAnswer | None:
    """The days told as away, unless they are over."""
    today = now.astimezone(site.place.timezone).date()
    choices = store.choices_now()
    span = away_of(choices, today)
    if span is None or span.last is None:
        return None
    who = next(c.who for c in choices if c.subject == "away")
    return StatusAwayAnswer(first=span.first, last=span.last, who=who)


def care_told(site: Site, store: Store, since: datetime) -> list[tuple[datetime, str, str]]:
    """(when it was done, by whom, which task) of every word of care that was taken in."""
    found = []
    for asked in store.requests_since(since):
        request = asked.request
        if request.kind == "care" and request.subject and asked.answer is not None and asked.answer.done:
            task, _, on = request.subject.partition(" ")
            at = local_midnight(date.fromisoformat(on), site.place.timezone) if on else request.at
            if at >= since:
                found.append((at, request.who, task))
    return found


def care_due_by(site: Site, store: Store, last_day: date) -> tuple[CareDue, ...]:
    """What is due up to a day, the longest due first."""
    return caring.care_due_by(store, site.place.timezone, last_day)


def care_due_answers(site: Site, store: Store, last_day: date) -> list[CareDueAnswer]:
    return [
        CareDueAnswer(task=d.task.id, words=d.task.words, since=d.since, last=d.last)
        for d in care_due_by(site, store, last_day)
    ]


def care_answer(site: Site, store: Store, now: datetime) -> CareAnswer:
    """Every task, when last and when next."""
    today = now.astimezone(site.place.timezone).date()
    last = caring.care_last(store, site.place.timezone)
    due = {d.task.id: d.since for d in care_due_by(site, store, today + timedelta(days=400))}
    return CareAnswer(
        garden=site.name,
        today=today,
        tasks=[
            CareTaskAnswer(
                task=t.id, words=t.words, every_days=t.every_days, last=last.get(t.id), due=due.get(t.id)
            )
            for t in TASKS
        ],
    )


def day_words(day: date, today: date) -> str:
    """ "today", or the day with its name; with the year where it is another."""
    if day == today:
        return "today"
    year = f" {day.year}" if day.year != today.year else ""
    return f"{day:%A} {day.day} {day:%B}{year}"


def winter_words(site: Site, answer: StatusWinterAnswer, today: date) -> list[str]:
    """That it is drained, until when, and where the valves are."""
    until = f", to be brought back on {day_words(answer.back_on, today)}" if answer.back_on else ""
    since = day_words(answer.drained_on, today)
    lines = [f"Drained for the winter since {since}, as {answer.who} told{until}. Nothing is watered."]
    lines += [f"Valve of {site.zone(v.zone).name}: {v.words}." for v in answer.valves]
    return lines


def care_words(answer: CareAnswer) -> list[str]:
    """One line for each task, what is due first."""
    today = answer.today
    far = date.max

    def line(task: CareTaskAnswer) -> str:
        last = f"last {day_words(task.last, today)}" if task.last is not None else "never told"
        if task.due is None:
            return f"{task.task}: {task.words}; {last}; when there is cause."
        late = "due since" if task.due < today else "due"
        return f"{task.task}: {task.words}; {last}; {late} {day_words(task.due, today)}."

    return [line(t) for t in sorted(answer.tasks, key=lambda t: t.due or far)]
