"""What the date of planting makes of a crop's season, in words."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from scheduler.site.catalogue import KINDS
from scheduler.site.model import Plant, Site


def season_over(plant: Plant, day: date) -> bool:
    """Whether its stages, counted from the date of planting, had all gone by: it is then watered by the value
    of the season's end. Never of a plant with its owner's own factor, which holds at all times."""
    kind = plant.own_kind or KINDS.get(plant.kind)
    if plant.planted is None or plant.plant_factor is not None or kind is None or kind.stages_d is None:
        return False
    return (day - plant.planted).days > sum(kind.stages_d)


def season_doubts(site: Site, today: date) -> list[str]:
    """Crops whose season is over, or that are not planted yet: mostly their dates are of another year."""
    over = [p for p in site.plants if season_over(p, today)]
    coming = [p for p in site.plants if p.planted is not None and p.planted > today]
    lines = []
    if over:
        lines.append(
            f"Past the end of their season by the days of planting in the site file: {_by_day(over)}. They "
            "are given only what such a plant uses at its season's end. If they were planted again since, or "
            "grow anew each year, write that day as planted."
        )
    if coming:
        lines.append(f"Not watered before the day of planting, which is still to come: {_by_day(coming)}.")
    return lines


def rehearsed_doubts(site: Site, first: date, last: date) -> list[str]:
    """Crops that do not grow in the season that was rehearsed: their dates are of another year."""
    coming = [p for p in site.plants if p.planted is not None and p.planted > last]
    over = [p for p in site.plants if season_over(p, first)]
    how = "To rehearse them write a day of planting of the rehearsed year into a copy of the site file."
    lines = []
    if coming:
        lines.append(
            f"Not planted in this season yet, so nothing was wanted for them: {_by_day(coming)}. {how}"
        )
    if over:
        lines.append(f"Past the end of their season when this one began: {_by_day(over)}. {how}")
    return lines


def _by_day(plants: Iterable[Plant]) -> str:
    """Names by day: "Fig, Sage (15 May 2012)"."""
    names: dict[date, list[str]] = {}
    for plant in plants:
        if plant.planted is not None:
            names.setdefault(plant.planted, []).append(plant.name)
    return "; ".join(f"{', '.join(of)} ({day.day} {day:%B %Y})" for day, of in sorted(names.items()))
