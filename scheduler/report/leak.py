"""The leak that plans count on: how much a day, since when it is known, and what to do about it."""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.report.answers import StatusAnswer, StatusLeakAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store

# A plan, or a night of rest, so old tells of a leak no more.
LEAK_DAYS = 7
# A leak of less a day is not worth a word (ours: a litre).
LEAK_TOLD_L = 1.0
# So far back it is told since when a leak is known (ours: as far as for a zone that is stopped).
KNOWN_DAYS = 30
LOOK_FOR_IT = "Look at joints and taps at dusk, when all is dry."


def known_leak_l(store: Store, today: date) -> float:
    """Litres a day that the newest plan counts on a leak to take; 0 where it knows of none, or is old."""
    planned = store.leaks_planned_since(today - timedelta(days=LEAK_DAYS))
    return planned[-1][1] if planned else 0.0


def leak_answer(store: Store, today: date) -> StatusLeakAnswer | None:
    """The leak that is counted on, or none where nights of rest show none; None: not known."""
    first = today - timedelta(days=KNOWN_DAYS)
    planned = store.leaks_planned_since(first)
    if not planned or planned[-1][0] < today - timedelta(days=LEAK_DAYS):
        return None
    l_day = planned[-1][1]
    if l_day > 0.0:
        since = _since(planned)
        return StatusLeakAnswer(l_day=round(l_day, 1), since=since, or_earlier=since == first)
    seen = [d.leak_l for d in store.water_days_since(today - timedelta(days=LEAK_DAYS))][-1:]
    # What the nights show as much as a leak, and is not sure yet, is neither a leak nor none.
    shows_none = seen and seen[0] is not None and seen[0] < LEAK_TOLD_L
    return StatusLeakAnswer(l_day=0.0, since=None) if shows_none else None


def _since(planned: tuple[tuple[date, float], ...]) -> date:
    """The first day of the row of days, up to the newest, whose plans counted on it."""
    since = planned[-1][0]
    for day, l_day in reversed(planned):
        if l_day <= 0.0:
            break
        since = day
    return since


def leak_words(site: Site, status: StatusAnswer, today: date) -> tuple[str, str]:
    """Whether there is a leak, in a sentence, and what to do; empty: nothing."""
    leak = status.leak
    if leak is None and site.sensor is None:
        return "whether there is one is not known, for no sensor reads the level.", ""
    if leak is None:
        return "whether there is one is not known; it takes some dry nights at rest to see.", ""
    if leak.since is None or leak.l_day < LEAK_TOLD_L:
        return f"none of {show_volume(LEAK_TOLD_L, site.units)} a day or more shows.", ""
    days = (today - leak.since).days
    since = f"for {days} days or more" if leak.or_earlier else f"since {day_words(leak.since, today)}"
    a_day = show_volume(leak.l_day, site.units)
    known = f"known {since} and counted in how long the water lasts"
    return f"about {a_day} a day while the valves are shut, {known}.", LOOK_FOR_IT
