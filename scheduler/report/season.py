"""A rehearsed season as tables and sentences."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.alerts.message import HEADINGS
from scheduler.report.answers import RehearseAnswer
from scheduler.report.answers.rehearsed import SeasonPlantAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.report.planting import rehearsed_doubts
from scheduler.site.model import Site
from scheduler.site.showing import show_rain, show_volume

# Less is a drop.
LEAST_L = 0.05
# Of fewer of the season's days than this share a zone's figures say so (our choice).
MOST_DAYS = 0.8
HEADING_OF = {str(kind): words for kind, words in HEADINGS.items()}


def _error(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:+.1f} %"


def _counted(plant: SeasonPlantAnswer) -> bool:
    """Whether any day counts for a plant: of none nothing is known."""
    return plant.counted_days != 0


def _was_due(plant: SeasonPlantAnswer) -> bool:
    """Whether water was due on the days that count. What was used and is not due yet is no wish of 0 L."""
    return _counted(plant) and plant.wanted_l > 0.0


def season_rows(site: Site, answer: RehearseAnswer) -> list[tuple[str, Columns, Rows]]:
    """Each plant's litres: wanted, planned, given, and what a fixed timer gave."""
    units = site.units
    rows = [
        [
            site.plant(p.id).name,
            show_volume(p.wanted_l, units) if _was_due(p) else "-",
            *(show_volume(litres, units) if _counted(p) else "-" for litres in (p.planned_l, p.given_l)),
            _error(p.need_error),
            _error(p.delivery_error),
            show_volume(p.fixed_timer_l, units) if _counted(p) else "-",
            _error(p.fixed_timer_error),
        ]
        for p in answer.plants
    ]
    columns: Columns = [
        ("plant", "left"),
        ("wanted", "right"),
        ("planned", "right"),
        ("given", "right"),
        ("off need", "right"),
        ("off plan", "right"),
        ("timer", "right"),
        ("off need", "right"),
    ]
    title = (
        f"{site.name}: what each plant got while the store was above its floor, and what a fixed timer, "
        "set once in spring, would have given"
    )
    return [(title, columns, rows)]


def day_rows(site: Site, answer: RehearseAnswer) -> tuple[Columns, Rows]:
    """Day by day: rain, what each zone was given, what is left, which plants stood short, what happened."""
    units, happened = site.units, _happened(site, answer)
    rows = [
        [
            f"{day.date:%a} {day.date.day} {day.date:%b}",
            show_rain(day.rain_mm, units) if day.rain_mm else "-" if day.rain_mm == 0.0 else "?",
            *(show_volume(litres, units) if litres >= LEAST_L else "-" for litres in day.watered_l.values()),
            show_volume(day.usable_l, units),
            _names(site, day.short) if day.short is not None else "not known yet",
            "; ".join(happened.get(day.date, [])),
        ]
        for day in answer.days
    ]
    columns: Columns = [("day", "left"), ("rain", "right")]
    columns += [(site.zone(z.id).name, "right") for z in site.zones]
    columns += [("left", "right"), ("stood short", "left"), ("what happened", "left")]
    return columns, rows


def _happened(site: Site, answer: RehearseAnswer) -> dict[date, list[str]]:
    """What an owner was told, and from which day on water was held back, by local day."""
    found: dict[date, list[str]] = {}
    for cut in answer.zones:
        if cut.withheld_from is not None:
            found.setdefault(cut.withheld_from, []).append(f"{site.zone(cut.id).name}: less than wanted")
    for alert in answer.alerts:
        told = f"told: {HEADING_OF.get(alert.kind, alert.kind)}{lead_words(alert.days_before_floor)}"
        found.setdefault(alert.at.astimezone(site.place.timezone).date(), []).append(told)
    reached = floor_reached(site, answer)
    if reached is not None:
        found.setdefault(reached.date(), []).append("about down to the level below which nothing is watered")
    return found


def lead_words(days: float | None) -> str:
    """How long before the water's end a warning came, to be added to it; empty where it did not.

    The end is known by its day alone, as the midnight after it: so hours are no more than "up to".
    """
    if days is None or days <= 0.0:
        return ""
    number, unit = (round(days), "day") if days >= 1.0 else (max(1, round(days * 24.0)), "hour")
    return f", {'up to ' if unit == 'hour' else ''}{number} {unit}{'' if number == 1 else 's'} ahead"


def floor_reached(site: Site, answer: RehearseAnswer) -> datetime | None:
    """The midnight at which the store first stood about at its floor, local time; None: it never did."""
    at = (answer.model_extra or {}).get("floor_reached")
    return datetime.fromisoformat(at).astimezone(site.place.timezone) if at else None


def _names(site: Site, plants: list[str]) -> str:
    """All plants, a whole zone by its name."""
    left = set(plants)
    names = []
    for zone in site.zones:
        mine = {p.id for p in site.plants if site.zone_of(p.id).id == zone.id}
        if mine and mine <= left:
            names.append(f"all of {zone.name}")
            left -= mine
    return ", ".join([*names, *(site.plant(p).name for p in plants if p in left)])


def season_words(site: Site, answer: RehearseAnswer) -> list[str]:
    """The season in sentences."""
    lines = [
        f"Worst plant: {_error(answer.worst_need_error)} against its need, "
        f"{_error(answer.worst_delivery_error)} against the plans. "
        f"The fixed timer's worst plant: {_error(answer.fixed_timer_worst_error)}."
    ]
    lines += _days_words(site, answer)
    lines += [
        f"Water was short: {site.zone(cut.id).name}, from {cut.withheld_from:%d %B} on less than its plants "
        "wanted; its days from then on do not count above."
        for cut in answer.zones
        if cut.withheld_from is not None
    ]
    at = floor_reached(site, answer)
    if at is not None:
        lines.append(
            f"On {at:%d %B} the store was first about down to the level below which nothing is watered; a "
            "zone's days about there do not count above."
        )
    if answer.store:
        last = answer.store[-1]
        lines.append(
            f"Left above the reserve on {last.date:%d %B}: {show_volume(last.usable_l, site.units)}."
        )
    more = answer.model_extra or {}
    if more.get("leak_l"):
        leak, over = (show_volume(more.get(name) or 0.0, site.units) for name in ("leak_l", "overflow_l"))
        lines.append(f"The hidden leak took {leak}, also below the reserve; {over} of rain ran over.")
    zone = site.place.timezone
    lines += [f"{alert.at.astimezone(zone):%d %B %H:%M}  {alert.text}" for alert in answer.alerts]
    lines += [f"RULE BROKEN: {rule}" for rule in answer.rules_broken] or ["No rule was broken."]
    return lines


def _days_words(site: Site, answer: RehearseAnswer) -> list[str]:
    """Of how many days the figures of a zone are, where of far from all; and which plants were not due."""
    whole, lines = len(answer.days), []
    of_zone = {p.zone: p.counted_days for p in answer.plants if p.counted_days is not None}
    few = {zone: days for zone, days in of_zone.items() if days < MOST_DAYS * whole}
    if few:
        told = ", ".join(f"{site.zone(zone).name} {days or 'none'}" for zone, days in few.items())
        lines.append(f"Days that count above, of the season's {whole}: {told}.")
    idle = [site.plant(p.id).name for p in answer.plants if _counted(p) and not _was_due(p)]
    if idle:
        lines.append(f"On the days that count no watering fell due for {', '.join(idle)}.")
    if answer.days:
        lines += rehearsed_doubts(site, answer.days[0].date, answer.days[-1].date)
    return lines
