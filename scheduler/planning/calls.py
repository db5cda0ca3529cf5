"""Which zones call for water today, in which order, and why the others do not: before any litre is placed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from scheduler.planning import words
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import Reason, SkippedZone
from scheduler.planning.rain_today import RAIN_PROBABILITY, waits_for
from scheduler.planning.reach import OutOfReach, out_of_reach
from scheduler.planning.sizing import LEAST_WANT_L, below_floor
from scheduler.planning.waiting import waits_while_short

if TYPE_CHECKING:
    from scheduler.agronomy.need import PlantNeed
    from scheduler.agronomy.weather import Outlook
    from scheduler.planning.soaking import Begun
    from scheduler.planning.spending import Ration


@dataclass(frozen=True, slots=True)
class ZoneCall:
    """A zone with a due plant. ``first`` are its due plants of the best rank."""

    zone_id: str
    rank: int
    overdue: float
    first: tuple[str, ...]


def zone_calls(
    model: GardenModel,
    needs: Mapping[str, PlantNeed],
    held: Collection[str],
    begun: Collection[str],
    level_m: float | None,
    day: date,
) -> tuple[list[ZoneCall], dict[str, SkippedZone]]:
    """Zones with a due plant in the order in which they are served, and why the others are not.

    A plant that the water hardly reaches from ``level_m`` calls for nothing.
    """
    site = model.site
    calls: list[tuple[tuple[int, float, int], ZoneCall]] = []
    skipped: dict[str, SkippedZone] = {}
    for index, (zone_id, zone) in enumerate(model.zones.items()):
        beyond = {o.plant for o in _beyond(model, zone_id, level_m)}
        known = [needs[p] for p in zone.plants if p in needs and p not in beyond]
        due = [n for n in known if (n.due or zone_id in begun) and n.wanted_l >= LEAST_WANT_L]
        if zone_id in held:
            skipped[zone_id] = SkippedZone(zone_id, (words.held(),))
            continue
        if not due:
            skipped[zone_id] = SkippedZone(zone_id, _none_due(model, known, day, all_reached=not beyond))
            continue
        rank = min(site.plant(n.plant).rank for n in due)
        first = tuple(n.plant for n in due if site.plant(n.plant).rank == rank)
        overdue = max(n.overdue for n in due)
        calls.append(((rank, -overdue, index), ZoneCall(zone_id, rank, overdue, first)))
    return [call for _, call in sorted(calls, key=lambda c: c[0])], skipped


def _beyond(model: GardenModel, zone_id: str, level_m: float | None) -> tuple[OutOfReach, ...]:
    return out_of_reach(model, zone_id, level_m) if level_m is not None else ()


def reach_notes(
    model: GardenModel, needs: Mapping[str, PlantNeed], level_m: float | None
) -> dict[str, tuple[Reason, ...]]:
    """By zone, what is said of its due plants that the water hardly reaches from that level."""
    site = model.site
    found = {
        zone_id: tuple(
            words.out_of_reach(site.units, o, site.plant(o.plant).name, level_m, needs[o.plant].wanted_l)
            for o in _beyond(model, zone_id, level_m)
            if o.plant in needs and needs[o.plant].due and needs[o.plant].wanted_l >= LEAST_WANT_L
        )
        for zone_id in model.zones
        if level_m is not None
    }
    return {zone_id: notes for zone_id, notes in found.items() if notes}


def _none_due(
    model: GardenModel, known: list[PlantNeed], day: date, *, all_reached: bool
) -> tuple[Reason, ...]:
    """Why a zone rests: the plant nearest to being due, or that none is planted yet."""
    site = model.site
    planted = {n.plant: site.plant(n.plant).planted for n in known}
    to_come = [d for d in planted.values() if d is not None and d > day]
    if to_come and len(to_come) == len(known):
        return (words.none_planted_yet(min(to_come)),)
    standing = [n for n in known if (d := planted[n.plant]) is None or d <= day]
    nearest = max(standing, key=lambda n: n.overdue, default=None)
    name = site.plant(nearest.plant).name if nearest is not None else ""
    reason = words.not_due(site.units, nearest, name, all_reached=all_reached)
    return (reason, *_falls_due(nearest, name))


def _falls_due(need: PlantNeed | None, name: str) -> tuple[Reason, ...]:
    """When the nearest plant would be due at the present pace; nothing where its need does not say."""
    figures = dict(need.figures) if need is not None else {}
    names = (
        ("dose_l", "owed_l", "dose_per_day_l")
        if "dose_l" in figures
        else ("readily_available_mm", "depletion_mm", "use_mm_day")
    )
    full, now, use = (figures.get(key) for key in names)
    if not isinstance(full, float) or not isinstance(now, float) or not isinstance(use, float):
        return ()
    return (words.falls_due(name, max(0.0, full - now) / use),) if use > 0.0 else ()


def put_off(
    model: GardenModel,
    calls: list[ZoneCall],
    needs: Mapping[str, PlantNeed],
    outlook: Outlook | None,
    day: date,
    level_m: float | None,
    begun: Mapping[str, Begun],
) -> tuple[list[ZoneCall], dict[str, SkippedZone]]:
    """Zones that wait for today's rain, and why."""
    weather = outlook.on(day) if outlook is not None else None
    if weather is None or outlook is None or weather.rain_mm is None or weather.rain_probability is None:
        return calls, {}
    if weather.rain_probability < RAIN_PROBABILITY:
        return calls, {}
    reason = words.rain_expected(model.site.units, weather.rain_mm, weather.rain_probability, outlook.source)
    beyond = {o.plant for c in calls for o in _beyond(model, c.zone_id, level_m)}
    reached = {plant: need for plant, need in needs.items() if plant not in beyond}
    rain_mm = weather.rain_mm
    off = [z for c in calls if waits_for(model, z := c.zone_id, reached, rain_mm, begun.get(z))]
    return [c for c in calls if c.zone_id not in off], {z: SkippedZone(z, (reason,)) for z in off}


def rationed_calls(
    model: GardenModel, calls: list[ZoneCall], ration: Ration, begun: Collection[str], level_m: float | None
) -> tuple[list[ZoneCall], dict[str, SkippedZone]]:
    """The zones that get water today, and why the others do not."""
    units = model.site.units
    watered, kept = [], {}
    for call in calls:
        zone = ration.zones.get(call.zone_id)
        if zone is None or ration.way == "alike" or call.zone_id in begun:
            watered.append(call)
        elif ration.way == "first-rank":
            if call.rank == ration.best_rank:
                watered.append(call)
            else:
                kept[call.zone_id] = SkippedZone(call.zone_id, (words.first_rank_only(ration.best_rank),))
        elif zone.given_l > 0.0:
            watered.append(call)
        elif level_m is not None and level_m <= model.floor_level_m(call.zone_id):
            kept[call.zone_id] = SkippedZone(call.zone_id, (below_floor(model, call.zone_id, level_m),))
        elif zone.dose_l > 0.0:
            names = [model.site.zone(z).name for z in zone.before]
            reasons = (
                words.kept_back(units, dose_l=zone.dose_l, names=names, short=ration.short_middle),
                *((words.missing_litres(units, zone.missing_l),) if zone.missing_l is not None else ()),
            )
            kept[call.zone_id] = SkippedZone(call.zone_id, reasons)
        else:
            kept[call.zone_id] = SkippedZone(call.zone_id, (waits_while_short(zone.waits),))
    return watered, kept
