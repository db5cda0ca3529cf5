"""Why a zone was watered, or not, on a day: from the plans as they were stored, never worked out afresh."""

from __future__ import annotations

from collections.abc import Sequence, Set
from datetime import date, timedelta

from scheduler.control.effects import Booking, Intent
from scheduler.planning.comparing import Cause, compare_runs
from scheduler.planning.plan import Plan, PlannedRun, PlantShare, Reason, SkippedZone
from scheduler.planning.soaking import whole_runs
from scheduler.planning.windows import local_midnight
from scheduler.report.answers import (
    ReasonAnswer,
    WhyAnswer,
    WhyCauseAnswer,
    WhyComparisonAnswer,
    WhyPlantAnswer,
    WhySourceAnswer,
    WhyZoneAnswer,
)
from scheduler.report.orders_told import orders_told
from scheduler.report.plan import worth_saying
from scheduler.report.why_rest import rest_of
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume
from scheduler.store.store import Store

# "Last week" is the zone's run nearest to a week earlier, between these.
LAST_WEEK_DAYS = 7
EARLIEST_DAYS, LATEST_DAYS = 14, 2
# A plan made so shortly after a run was to begin is still one made for its start.
AT_ITS_START = timedelta(minutes=2)
# A cause of less than this is not named.
CAUSE_WORTH_SAYING_S = 30.0
# An age is told in days from here on.
DAYS_FROM_H = 48.0

SOURCES = {
    "level": "water level",
    "forecast": "weather of today and later",
    "et0": "use of water today, without a fresh forecast",
    "past_weather": "weather of past days",
    "flow": "what each zone really gives",
}


def newest_planned_day(store: Store, today: date) -> date:
    """``today``, where a plan was made for it or none was ever made; else the day of the newest plan."""
    newest = None if store.last_plan(today) is not None else store.last_plan()
    return newest.day if newest is not None else today


def why_answer(site: Site, store: Store, day: date, subject: str | None = None) -> WhyAnswer:
    """The decision on every zone (or on one, or on a plant's) for a local day.

    UsageError for an unknown subject, and when no plan was made for that day.
    """
    zones = _zones_asked(site, subject)
    plans = store.plans_between(day, day)
    if not plans:
        raise UsageError(
            f"no plan was made for {day:%A %d %B %Y}: the daemon did not run then, did not know the time of "
            "day, or waited for the valve node to be heard. `fallinghead status` says how things stand now"
        )
    earlier = store.plans_between(day - timedelta(days=EARLIEST_DAYS), day - timedelta(days=LATEST_DAYS))
    since = store.bookings_since(day - timedelta(days=EARLIEST_DAYS))
    intents = store.intents_since(local_midnight(day - timedelta(days=EARLIEST_DAYS), site.place.timezone))
    beside = {i.order.order_id for i in intents if i.asked_by is not None or i.for_test}
    watered = {(b.day, b.zone) for b in since if b.volume_l > 0.0 and b.order_id not in beside}
    bookings = [b for b in since if b.day == day]
    told = _told(plans, zones, watered)
    return WhyAnswer(
        garden=site.name,
        day=day,
        made_at=told.made_at,
        zones=[_zone(site, z, plans, earlier, bookings, intents, watered) for z in zones],
        plants=_plants(site, plans, bookings, zones, subject, watered),
        reasons=_reasons(plans[-1].reasons),
        sources=[
            WhySourceAnswer(
                what=s.what,
                source=s.source,
                as_of=s.as_of,
                age_h=round((told.made_at - s.as_of).total_seconds() / 3600.0, 1) if s.as_of else None,
            )
            for s in told.sources
        ],
    )


def _zones_asked(site: Site, subject: str | None) -> list[str]:
    if subject is None:
        return [z.id for z in site.zones]
    if any(z.id == subject for z in site.zones):
        return [subject]
    if any(p.id == subject for p in site.plants):
        return [site.zone_of(subject).id]
    names = ", ".join([*(z.id for z in site.zones), *(p.id for p in site.plants)])
    raise UsageError(f"there is no zone and no plant {subject!r}; there are {names}")


Watered = Set[tuple[date, str]]  # days and zones that got water by a plan


def _told(plans: Sequence[Plan], zones: Sequence[str], watered: Watered) -> Plan:
    """The plan whose sources are told: that of the newest run that is told, for a later plan of the day was
    made from other figures and no longer names that run; where none is told, the newest."""
    runs = [found[0] for z in zones if (found := _run_of(plans, z, watered)) is not None]
    return max(runs, key=lambda p: p.made_at, default=plans[-1])


def _run_of(plans: Sequence[Plan], zone: str, watered: Watered) -> tuple[Plan, PlannedRun] | None:
    """The newest planned run of a zone, its openings as one, and its plan: a later plan of the day no longer
    names what is done, and may have only the rest of the openings."""
    runs = [(p, r) for p in reversed(plans) for r in whole_runs(p.runs) if r.zone == zone]
    found = next((found for found in runs if found[1].pulse == 1), runs[0] if runs else None)
    return None if found is None or _dropped(plans, zone, watered) is not None else found


def _dropped(
    plans: Sequence[Plan], zone: str, watered: Watered
) -> tuple[Plan, PlannedRun, Plan, SkippedZone] | None:
    """A plan's run that the next plan of the day left out before it was to begin, with that plan and its
    reasons; None where there is none, the zone was watered, or a later plan took it up again."""
    if (plans[-1].day, zone) in watered:
        return None
    named = [i for i, p in enumerate(plans) if any(r.zone == zone for r in p.runs)]
    if not named or named[-1] + 1 >= len(plans):
        return None
    planned, after = plans[named[-1]], plans[named[-1] + 1]
    run = next(r for r in whole_runs(planned.runs) if r.zone == zone)
    skipped = next((s for s in after.skipped if s.zone == zone), None)
    if skipped is None or run.pulse != 1 or after.made_at > run.start + AT_ITS_START:
        return None
    return planned, run, after, skipped


def _dropped_answer(site: Site, planned: Plan, run: PlannedRun, after: Plan) -> ReasonAnswer:
    zone = site.place.timezone
    made, left = (p.made_at.astimezone(zone) for p in (planned, after))
    text = (
        f"Planned at {made:%H:%M} for {run.start.astimezone(zone):%H:%M} with "
        f"{show_volume(run.volume_l, site.units)}, and left out by the plan of {left:%H:%M}:"
    )
    return ReasonAnswer(code="dropped", text=text, figures={"volume_l": run.volume_l})


def _zone(
    site: Site,
    zone_id: str,
    plans: Sequence[Plan],
    earlier: Sequence[Plan],
    bookings: Sequence[Booking],
    intents: Sequence[Intent],
    watered: Watered,
) -> WhyZoneAnswer:
    found = _run_of(plans, zone_id, watered)
    run = found[1] if found is not None else None
    skipped = next((s for s in plans[-1].skipped if s.zone == zone_id), None)
    dropped = _dropped(plans, zone_id, watered)
    given = run if run is not None else dropped[3] if dropped is not None else skipped
    reasons = given.reasons if given is not None else ()
    before = [_dropped_answer(site, *dropped[:3])] if dropped is not None else []
    mine = [b for b in bookings if b.zone == zone_id]
    booked = [b.volume_l for b in mine]
    due = [s.reasons[0] for s in run.shares if s.due and s.reasons] if run is not None else []
    return WhyZoneAnswer(
        id=zone_id,
        name=site.zone(zone_id).name,
        start=run.start if run is not None else None,
        run_s=round(run.run_s, 1) if run is not None else None,
        volume_l=round(run.volume_l, 4) if run is not None else None,
        booked_l=round(sum(booked), 4) if booked else None,
        reasons=before + _reasons((*due, *(r for r in reasons if r.code != "would_change"))),
        would_change=_reasons([r for r in reasons if r.code == "would_change"]),
        compared=_compared(site, found, earlier, watered) if found is not None else None,
        orders=orders_told(site, run, mine, intents),
    )


def _compared(
    site: Site, found: tuple[Plan, PlannedRun], earlier: Sequence[Plan], watered: Watered
) -> WhyComparisonAnswer | None:
    day, run = found[0].day, found[1]
    days = {p.day for p in earlier}
    of_days = (_run_of([p for p in earlier if p.day == d], run.zone, watered) for d in sorted(days))
    runs = [found for found in of_days if found is not None and found[1].pulse == 1]
    if not runs:
        return None
    planned, before = min(runs, key=lambda x: (abs((day - x[0].day).days - LAST_WEEK_DAYS), x[0].day))
    split = compare_runs(before, run)
    if split is None:
        return None
    causes = [_cause(site, c, before, run) for c in sorted(split.causes, key=lambda c: -abs(c.change_s))]
    return WhyComparisonAnswer(
        day=planned.day, before_s=round(split.before_s, 1), after_s=round(split.after_s, 1), causes=causes
    )


def _cause(site: Site, cause: Cause, before: PlannedRun, after: PlannedRun) -> WhyCauseAnswer:
    rest = rest_of(site, before, after, cause.change_s) if cause.kind == "rest" else []
    text = _cause_words(cause, before, after, " and ".join(n.text for n in rest))
    return WhyCauseAnswer(
        cause=cause.kind, change_s=round(cause.change_s, 1), text=text, named=[n.what for n in rest]
    )


def _cause_words(cause: Cause, before: PlannedRun, after: PlannedRun, rest: str) -> str:
    more = "longer" if cause.change_s >= 0.0 else "shorter"
    span = f"{show_change(cause.change_s)} {more}"
    fall_cm = 100.0 * (before.level_start_m - after.level_start_m)
    words = {
        "head": f"the water stands {abs(fall_cm):.0f} cm {'lower' if fall_cm >= 0 else 'higher'}",
        "clogging": "earlier runs showed that the zone's flow has changed",
        "weather": "the plants used more a day" if cause.change_s >= 0 else "the plants used less a day",
        "days": "more days since the last watering"
        if cause.change_s >= 0
        else "fewer days since the last watering",
        "rest": rest,
    }
    return f"{span}: {words[cause.kind]}"


def _plants(
    site: Site,
    plans: Sequence[Plan],
    bookings: Sequence[Booking],
    zones: Sequence[str],
    subject: str | None,
    watered: Watered,
) -> list[WhyPlantAnswer]:
    shares: dict[str, PlantShare] = {s.plant: s for s in plans[-1].shares}
    for zone in zones:
        found = _run_of(plans, zone, watered)
        shares.update({s.plant: s for s in found[1].shares} if found is not None else {})
    asked = [p for p in site.plants if p.id == subject] or [
        p for p in site.plants if p.id in shares and shares[p.id].zone in zones
    ]
    return [
        WhyPlantAnswer(
            id=p.id,
            name=p.name,
            zone=shares[p.id].zone,
            wanted_l=round(shares[p.id].wanted_l, 4),
            planned_l=round(shares[p.id].given_l, 4),
            booked_l=round(sum(litres for b in bookings for plant, litres in b.given_l if plant == p.id), 4),
            reasons=_reasons(shares[p.id].reasons),
        )
        for p in asked
        if p.id in shares
    ]


def _reasons(reasons: Sequence[Reason]) -> list[ReasonAnswer]:
    return [ReasonAnswer(code=r.code, text=r.text, figures=dict(r.figures)) for r in reasons]


def why_words(site: Site, answer: WhyAnswer, subject: str | None = None) -> list[str]:
    """The answer as plain sentences, the deciding reason of each zone first."""
    lines = [f"{site.name}, {answer.day:%A %d %B %Y}"]
    lines += [r.text for r in answer.reasons]
    for zone in answer.zones:
        lines += ["", *_zone_words(site, zone)]
    if any(p.id == subject for p in site.plants):
        lines.append("")
        lines += [_plant_words(site, p) for p in answer.plants]
        lines += [f"- {r.text}" for p in answer.plants for r in p.reasons]
    lines += ["", *_source_words(answer)]
    return lines


def _zone_words(site: Site, zone: WhyZoneAnswer) -> list[str]:
    units, local = site.units, site.place.timezone
    if zone.run_s is None or zone.start is None:
        head = f"{zone.name}: not watered."
        if zone.booked_l:  # a person asked for it, or tested the zone
            booked = show_volume(zone.booked_l, units)
            head = f"{zone.name}: not watered by the plan. Booked to plants: {booked}."
    else:
        start = f"{zone.start.astimezone(local):%H:%M %Z}"
        volume = show_volume(zone.volume_l, units)
        head = f"{zone.name}: {show_duration(zone.run_s)} from {start} for {volume}."
        if zone.booked_l is not None:
            head += f" Booked to plants: {show_volume(zone.booked_l, units)}."
    lines = [head, *(f"- {text}." for text in zone.orders)]
    lines += [f"- {r.text}" for r in zone.reasons if worth_saying(site, r)]
    if zone.compared is not None:
        lines.append(_comparison_words(zone.compared))
        lines += [f"  {c.text}." for c in zone.compared.causes if abs(c.change_s) >= CAUSE_WORTH_SAYING_S]
    lines += [f"- What would change it: {r.text}" for r in zone.would_change]
    return lines


def show_change(change_s: float) -> str:
    """In whole minutes, however short: several changes are read beside each other."""
    minutes = max(1, round(abs(change_s) / 60.0))
    return show_duration(60.0 * minutes) if minutes > 1 else "1 min"


def _comparison_words(compared: WhyComparisonAnswer) -> str:
    change_s = compared.after_s - compared.before_s
    if abs(change_s) < CAUSE_WORTH_SAYING_S:
        return f"- As long as on {compared.day:%A %d %B}, all in all:"
    more = "longer" if change_s > 0 else "shorter"
    return (
        f"- {show_change(change_s)} {more} than on {compared.day:%A %d %B} "
        f"({show_duration(compared.before_s)} then), because:"
    )


def _plant_words(site: Site, plant: WhyPlantAnswer) -> str:
    wanted, planned, booked = (
        show_volume(x, site.units) for x in (plant.wanted_l, plant.planned_l, plant.booked_l)
    )
    return f"{plant.name}: wanted {wanted}, planned {planned}, booked {booked}."


def _source_words(answer: WhyAnswer) -> list[str]:
    lines = [f"From: {line}." for line in source_lines(answer)]
    return lines or ["Where the figures came from was not kept with this plan."]


def source_lines(answer: WhyAnswer) -> list[str]:
    """What the plan was made from, each with its age at that time."""
    return [
        f"{SOURCES.get(s.what, s.what)}: {s.source}"
        # What was assumed for want of any weather has no age.
        + ("" if s.what == "et0" and s.age_h is None else f", {_age(s.age_h)}")
        for s in answer.sources
    ]


def _age(age_h: float | None) -> str:
    if age_h is None:
        return "age not known"
    if age_h < 1.0:
        return f"{60.0 * age_h:.0f} min old then"
    return f"{age_h:.0f} h old then" if age_h < DAYS_FROM_H else f"{age_h / 24.0:.0f} days old then"
