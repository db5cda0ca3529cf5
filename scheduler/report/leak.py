"""The leak that plans count on: how much a day, since when it is known, and what to do about it."""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.control.effects import RecordWaterDay
from scheduler.report.answers import ReportAnswer, StatusAnswer, StatusLeakAnswer
from scheduler.report.year import day_words
from scheduler.sensing.leak import SURE_SIGMAS
from scheduler.site.model import Site
from scheduler.site.showing import show_volume, show_whole_volume
from scheduler.store.store import Store

# A plan, or a night of rest, so old tells of a leak no more.
LEAK_DAYS = 7
# A leak of less a day is not worth a word (ours: a litre).
LEAK_TOLD_L = 1.0
# So far back it is told since when a leak is known (ours: as far as for a zone that is stopped).
KNOWN_DAYS = 30
_NO_SENSOR = "for no sensor reads the level"
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
    if l_day >= LEAK_TOLD_L:
        since = _since(planned)
        return StatusLeakAnswer(l_day=round(l_day, 1), since=since, or_earlier=since == first)
    plan = store.last_plan()
    sd_l = plan.store.leak_sd_l if plan is not None else None
    seen_l = next((d.leak_l for d in store.water_days_since(today - timedelta(days=LEAK_DAYS))[-1:]), None)
    if sd_l is None or seen_l is None or leak_l_day(seen_l, l_day) is None:
        return None
    # A leak of less may be there: the nights tell it no finer.
    below_l = max(LEAK_TOLD_L, seen_l + SURE_SIGMAS * sd_l)
    return StatusLeakAnswer(l_day=round(l_day, 1), since=None, below_l_day=round(below_l, 1))


def leaked_l(day: RecordWaterDay, planned_l: float) -> float | None:
    """What leaked on a day: of barrels that stood empty less than the leak takes of full ones."""
    a_day_l = leak_l_day(day.leak_l, planned_l)
    if a_day_l is None or day.leaked_l is None:
        return None
    return max(0.0, min(a_day_l, day.leaked_l))


def leak_l_day(seen_l: float | None, planned_l: float) -> float | None:
    """What a leak takes in a day of barrels that hold water, by what the nights had shown at its end and its
    plan counted on. What they show as much as a leak, and no plan is sure of, is neither a leak nor none:
    None."""
    if seen_l is None:
        return None
    if planned_l > 0.0:
        return max(0.0, seen_l)
    return 0.0 if seen_l < LEAK_TOLD_L else None


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
        return f"whether there is one is not known, {_NO_SENSOR}.", ""
    if leak is None:
        return "whether there is one is not known; it takes some dry nights at rest to see.", ""
    if leak.since is None:
        return f"none of {show_whole_volume(leak.below_l_day, site.units)} a day or more shows.", ""
    days = (today - leak.since).days
    since = f"for {days} days or more" if leak.or_earlier else f"since {day_words(leak.since, today)}"
    a_day = f"about {show_whole_volume(leak.l_day, site.units)} a day"
    if _empty(status):
        empty = "the barrels stand empty, or nearly, and nothing leaks from empty barrels"
        return f"{a_day} has been known {since}; {empty}.", LOOK_FOR_IT
    known = f"known {since} and counted in how long the water lasts"
    return f"{a_day} while the valves are shut, {known}.", LOOK_FOR_IT


def known_leak_words(site: Site, status: StatusAnswer, today: date) -> tuple[str, str]:
    """A leak that is known, in a whole sentence, and what to do; empty: none is."""
    words, advice = leak_words(site, status, today)
    return (f"A leak {'of' if _empty(status) else 'takes'} {words}", advice) if advice else ("", "")


def _empty(status: StatusAnswer) -> bool:
    """Whether the level cannot be told from that of the outlet, below which nothing drains: by the sensor's
    own doubt. A reading that was refused, or one that is late, widens it to one side and empties nothing."""
    level_m, low_m, high_m = status.level_m, status.level_low_m, status.level_high_m
    if level_m is None or low_m is None or high_m is None:
        return False
    return level_m <= min(level_m - low_m, high_m - level_m)


def leaked_words(site: Site, status: StatusAnswer, report: ReportAnswer, today: date) -> str:
    """Whether there is a leak now, by what plans count on, and what ran away in the days of the report."""
    known = [d.leak_l for d in report.days if d.leak_l is not None]
    these = "these days" if len(known) == len(report.days) else f"the {len(known)} days on which it is known"
    lost_l = sum(known)
    lost = f"{show_volume(lost_l, site.units)} ran away in {these}" if lost_l >= LEAK_TOLD_L else ""
    now, advice = known_leak_words(site, status, today)
    if advice:
        return " ".join(filter(None, [now, f"{lost}." if lost else "", advice]))
    if status.leak is not None:
        shows = "No leak shows while the valves are shut"
        return f"{shows} now; {lost} before." if lost else f"{shows}."
    if lost:
        return f"Whether there is a leak now is not known; {lost}."
    if site.sensor is None:
        return f"Whether there is a leak is not known, {_NO_SENSOR}."
    return "Whether there is a leak is not known yet: it takes some nights of rest."
