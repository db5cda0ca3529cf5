"""The garden's year: what a helper has to do while nobody is at home, what was told to whom."""

from __future__ import annotations

from datetime import date

from fastapi import APIRouter, Request
from fastapi.responses import Response

from scheduler.control.alarms import RULES
from scheduler.report.answers import CareTaskAnswer, ToldAnswer
from scheduler.report.away import away_answer, away_words
from scheduler.report.messages import STATUS_WORDS, messages_answer
from scheduler.report.year import care_answer, day_words
from scheduler.site.model import Site
from scheduler.web.acting import tell_values
from scheduler.web.alert_words import dated_words, own_words
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of

router = APIRouter()
# As far back as "who was told" goes here; the command goes further.
TOLD_DAYS = 14


@router.get("/away", dependencies=[needs(Right.LOOK)])
def away(request: Request) -> Response:
    """The list for whoever looks in."""
    garden = parts_of(request).garden
    with garden.store() as store:
        made = garden.made(store)
        answer = away_answer(made.site, store, garden.now())
    heading, *lines = away_words(answer)
    return show(request, "away.html", here="away", heading=own_words(made.site, heading), lines=lines)


@router.get("/care", dependencies=[needs(Right.LOOK)])
def care(request: Request) -> Response:
    """Every task of care, when last and when next, and what was told to whom."""
    garden = parts_of(request).garden
    now = garden.now()
    with garden.store() as store:
        site = garden.made(store).site
        tasks = care_answer(site, store, now)
        messages = messages_answer(site, store, now, TOLD_DAYS)
    today = tasks.today
    return show(
        request,
        "care.html",
        here="care",
        tasks=[
            {
                "id": t.task,
                "words": t.words[:1].upper() + t.words[1:],
                "last": day_words(t.last, today) if t.last else "never told",
                "due": _due(t, today),
                "late": t.due is not None and t.due <= today,
            }
            for t in sorted(tasks.tasks, key=lambda t: (t.due is None, t.due or today, t.every_days is None))
        ],
        standing=[
            {
                "kind": a.kind,
                "text": dated_words(site, a, today),
                "may_wait": not any(a.kind == k and rule.urgent for k, rule in RULES.items()),
            }
            for a in messages.standing
        ],
        put_off=[{"kind": p.kind, "until": day_words(p.until, today)} for p in messages.put_off],
        told=[_told(site, t) for t in messages.told],
        told_days=TOLD_DAYS,
        **tell_values(garden.look()),
    )


def _due(task: CareTaskAnswer, today: date) -> str:
    """When, or how often where nothing of it is known yet."""
    if task.due is not None:
        return day_words(task.due, today)
    return f"every {task.every_days} days" if task.every_days is not None else "when there is cause"


def _told(site: Site, told: ToldAnswer) -> dict[str, str]:
    at = told.at.astimezone(site.place.timezone)
    return {
        "at": f"{at:%a} {at.day} {at:%b %H:%M}",
        "who": f"{STATUS_WORDS.get(told.status, told.status)} {told.person}",
        "text": own_words(site, told.text or told.kind),
    }
