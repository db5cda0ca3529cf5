"""A plan as the object and the tables that people and programs read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.once import FORECAST_DAYS
from scheduler.planning.plan import Plan, Reason
from scheduler.planning.soaking import whole_runs
from scheduler.report.answers import (
    PlanAnswer,
    PlannedOpeningAnswer,
    PlannedPlantAnswer,
    PlannedZoneAnswer,
    ReasonAnswer,
)
from scheduler.report.planting import season_over
from scheduler.report.status import days_words
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume

Columns = list[tuple[str, str]]
Rows = list[list[str]]


def missing_words(days: Sequence[DayWeather], day: date, full_days_ago: int) -> str | None:
    """Of a plan from a file of weather: the days it rests on, within the file's end, of which the file has no
    row; None: there is none."""
    known = {d.day for d in days}
    first, last = day - timedelta(days=full_days_ago), day + timedelta(days=FORECAST_DAYS - 1)
    wanted = [first + timedelta(days=n) for n in range((min(last, max(known)) - first).days + 1)]
    missing = [d for d in wanted if d not in known]
    if not missing:
        return None
    return (
        f"The weather has no row for {len(missing)} of the {len(wanted)} days from {first} on that this plan "
        f"rests on, {missing[0]} the first: there it counts no rain, and the evaporation of the days nearest."
    )


def plan_answer(plan: Plan, level_m: float | None) -> PlanAnswer:
    """A plan as ``fallinghead plan --json`` prints it; skipped zones stand in it with a run of 0 s."""
    zones = [
        PlannedZoneAnswer(
            id=r.zone,
            start=r.start,
            run_s=round(r.run_s, 1),
            volume_l=round(r.volume_l, 3),
            reasons=_reasons(r.reasons),
            openings=[
                PlannedOpeningAnswer(start=o.start, run_s=round(o.run_s, 1))
                for o in plan.runs
                if o.zone == r.zone
            ],
        )
        for r in whole_runs(plan.runs)
    ]
    zones += [
        PlannedZoneAnswer(id=s.zone, start=None, run_s=0.0, volume_l=0.0, reasons=_reasons(s.reasons))
        for s in plan.skipped
    ]
    return PlanAnswer(
        day=plan.day,
        level_m=level_m,
        zones=zones,
        plants=[
            PlannedPlantAnswer(
                id=s.plant, zone=s.zone, wanted_l=round(s.wanted_l, 3), given_l=round(s.given_l, 3)
            )
            for s in plan.shares
        ],
        usable_l=plan.store.usable_l,
        days_left_early=plan.store.days_left_early,
        days_left_middle=plan.store.days_left_middle,
        days_left_late=plan.store.days_left_late,
    )


def _reasons(reasons: tuple[Reason, ...]) -> list[ReasonAnswer]:
    return [ReasonAnswer(code=r.code, text=r.text, figures=dict(r.figures)) for r in reasons]


def reason_lines(site: Site, answer: PlanAnswer) -> list[str]:
    """Each zone's reasons in words."""
    return [
        f"- {zone.id}: {reason.text}"
        for zone in answer.zones
        for reason in zone.reasons
        if worth_saying(site, reason)
    ]


def worth_saying(site: Site, reason: ReasonAnswer) -> bool:
    """What would show as nothing is left to the JSON."""
    missing_l = reason.figures.get("missing_l")
    if reason.code != "prime_time" or not isinstance(missing_l, float):
        return True
    return show_volume(missing_l, site.units) != show_volume(0.0, site.units)


def _wants_and_gets(site: Site, plant: PlannedPlantAnswer, day: date) -> tuple[str, str]:
    planted, gets = site.plant(plant.id).planted, show_volume(plant.given_l, site.units)
    if planted is not None and planted > day:
        return f"not planted before {planted:%d %B %Y}", gets
    wants = show_volume(plant.wanted_l, site.units)
    return f"{wants}, as at its season's end" if season_over(site.plant(plant.id), day) else wants, gets


def _store_words(site: Site, answer: PlanAnswer) -> str:
    """What can be used and how long it lasts. Days are counted to the first plant that goes without: short
    today though litres are left, where a zone is not watered for want of height."""
    if answer.usable_l is None:
        return "level unknown"
    usable, days = show_volume(answer.usable_l, site.units), answer.days_left_middle
    if days is None:
        return f"usable {usable}"
    if days > 0:
        return f"usable {usable}, lasts about {days_words(days)}"
    short = f"usable {usable}, short today: "
    too_low = [(z.id, r) for z in answer.zones if not z.run_s for r in z.reasons if r.code == "worst_emitter"]
    if not too_low or answer.usable_l <= 0.0:
        return f"{short}a plant that is due goes without"
    out = "; ".join(f"{zone}, for water does not reach {_whom(reason)}" for zone, reason in too_low)
    return (
        f"{short}days are counted to the first plant that goes without, and not watered at this level is "
        f"{out}. What can be used is left for the others"
    )


def _whom(reason: ReasonAnswer) -> str:
    return str(reason.figures.get("plants", "its highest or weakest emitter"))


def plan_rows(site: Site, answer: PlanAnswer) -> list[tuple[str, Columns, Rows]]:
    """The plan as tables: zones, then plants."""
    units = site.units
    zone = site.place.timezone
    zones: Rows = []
    for z in answer.zones:
        start = z.start.astimezone(zone).strftime("%H:%M %Z") if z.start else "-"
        run = show_duration(z.run_s) if z.run_s else "not watered"
        if len(z.openings) > 1:
            run = f"{run} in {len(z.openings)} openings"
        zones.append([z.id, start, run, show_volume(z.volume_l, units) if z.run_s else "-"])
    plants = [[site.plant(p.id).name, p.zone, *_wants_and_gets(site, p, answer.day)] for p in answer.plants]
    return [
        (
            f"{site.name}, {answer.day:%A %d %B %Y}: {_store_words(site, answer)}",
            [("zone", "left"), ("start", "left"), ("open for", "right"), ("water", "right")],
            zones,
        ),
        ("", [("plant", "left"), ("zone", "left"), ("wants", "right"), ("gets", "right")], plants),
    ]
