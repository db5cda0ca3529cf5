"""Zones that are due and not watered, since the water does not reach one of their plants: which, whom, since
when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from scheduler.planning.plan import Plan
from scheduler.report.answers import StatusAnswer, StatusStoppedAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store

# So far back it is looked since when a zone is stopped (ours: as long as water is planned for).
STOPPED_DAYS = 30


def stopped_zones(site: Site, store: Store, plan: Plan | None, today: date) -> list[StatusStoppedAnswer]:
    """Zones that are due today and not watered, since the water does not reach one of their plants."""
    now = _stopped_in(plan) if plan is not None and plan.day == today else {}
    if not now:
        return []
    before = store.plans_between(today - timedelta(days=STOPPED_DAYS), today - timedelta(days=1))
    return [
        StatusStoppedAnswer(
            zone=zone,
            plants=[p.id for p in site.plants if p.name in names and site.zone_of(p.id).id == zone],
            since=stopped_since(zone, before, today),
        )
        for zone, names in now.items()
    ]


def _stopped_in(plan: Plan) -> dict[str, list[str]]:
    """Zones that are skipped for their worst emitter, with the names of the plants that stop them (none: a
    high place of the line does)."""
    return {
        zone.zone: str(dict(reason.figures).get("plants", "")).split(", ")
        for zone in plan.skipped
        for reason in zone.reasons
        if reason.code == "worst_emitter"
    }


def stopped_since(zone: str, before: Sequence[Plan], today: date) -> date:
    """The first day since when it was not watered and was stopped so whenever it was due."""
    since = today
    for plan in sorted(before, key=lambda p: p.day, reverse=True):
        if any(run.zone == zone for run in plan.runs):
            break
        if zone in _stopped_in(plan):
            since = plan.day
    return since


def stopped_words(site: Site, stopped: StatusStoppedAnswer, today: date) -> str:
    """From when, which zone, for which plant."""
    names = ", ".join(site.plant(p).name for p in stopped.plants)
    whom = f"does not reach {names}" if names else "stands too low for its line"
    when = "from today" if stopped.since == today else f"since {day_words(stopped.since, today)}"
    return f"{when}: {site.zone(stopped.zone).name}, for at this level the water {whom}"


def short_today_words(site: Site, answer: StatusAnswer) -> list[str]:
    """Which zone goes without and for which plant; or that there is too little."""
    if not answer.stopped:
        return ["It does not last through today: a plant that is due goes without."]
    today = answer.at.astimezone(site.place.timezone).date()
    lines = [f"Not watered {stopped_words(site, stopped, today)}." for stopped in answer.stopped]
    if len(answer.stopped) < len(site.zones):
        left = show_volume(answer.usable_l, site.units)
        lines[-1] += f" The {left} above the reserve are left for the others."
    return lines
