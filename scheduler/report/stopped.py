"""Zones that are due and not watered, since the water does not reach one of their plants: which, whom, since
when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from scheduler.control.effects import Booking
from scheduler.planning.plan import Plan
from scheduler.report.answers import StatusAnswer, StatusStoppedAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store

# So far back it is told since when a zone is stopped; beyond that, "or more" (ours: as long as water is
# planned for).
STOPPED_DAYS = 30
# A week further back is looked at: on the last day that is told the zone may just not have been due.
LOOKED_AT_DAYS = STOPPED_DAYS + 7


def stopped_zones(site: Site, store: Store, plan: Plan | None, today: date) -> list[StatusStoppedAnswer]:
    """Zones that are due today and not watered, since the water does not reach one of their plants."""
    now = _stopped_in(plan) if plan is not None and plan.day == today else {}
    if not now:
        return []
    first, told_from = today - timedelta(days=LOOKED_AT_DAYS), today - timedelta(days=STOPPED_DAYS)
    before, bookings = store.plans_between(first, today - timedelta(days=1)), store.bookings_since(first)
    since = {zone: stopped_since(zone, before, bookings, today) for zone in now}
    return [
        StatusStoppedAnswer(
            zone=zone,
            plants=[p.id for p in site.plants if p.name in names and site.zone_of(p.id).id == zone],
            since=max(since[zone], told_from),
            or_earlier=since[zone] <= told_from,
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


def stopped_since(zone: str, before: Sequence[Plan], bookings: Sequence[Booking], today: date) -> date:
    """The first day after its last watering on which a plan of ``before`` stopped it so; else today.

    Watered it was when its plants got litres by the books, whatever a plan meant to give.
    """
    watered = max((b.day for b in bookings if b.zone == zone and _gave(b)), default=date.min)
    return min((p.day for p in before if p.day > watered and zone in _stopped_in(p)), default=today)


def _gave(booking: Booking) -> bool:
    return any(litres > 0.0 for _, litres in booking.given_l)


def stopped_words(site: Site, stopped: StatusStoppedAnswer, today: date) -> str:
    """From when, which zone, for which plant."""
    names = ", ".join(site.plant(p).name for p in stopped.plants)
    whom = f"does not reach {names}" if names else "stands too low for its line"
    when = "from today" if stopped.since == today else f"since {day_words(stopped.since, today)}"
    if stopped.or_earlier:
        when = f"for {(today - stopped.since).days} days or more"
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
