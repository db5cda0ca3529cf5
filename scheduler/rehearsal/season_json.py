"""A season as the object that ``rehearse --json`` prints, and as the values that its picture shows."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np

from scheduler.control.effects import Alert
from scheduler.pictures.season import DayPoint, PlantTotal, RunPoint, SeasonPicture
from scheduler.planning.garden import garden_model
from scheduler.rehearsal.account import PlantSeason
from scheduler.rehearsal.season import Season, spread
from scheduler.report.litres import SHORT_STRESS
from scheduler.report.season import lead_words

# Warnings of the water's end, as the picture names them.
TOLD = {
    "near_empty": "told: nearly empty",
    "runs_out": "told: runs out",
    "out_of_reach": "told: out of reach",
}


def season_json(season: Season) -> dict[str, Any]:
    """Errors are shares (0.05 = 5 % too much), None where a plant wanted or was promised nothing.

    ``worst_*`` are the plants' largest errors over the whole season, ``worst_*_any_day`` those of the season
    so far on its worst day after the first seven counted days.
    """
    need, need_mean = spread(p.need_error for p in season.plants)
    delivery, delivery_mean = spread(p.delivery_error for p in season.plants)
    timer, timer_mean = spread(p.fixed_timer_error for p in season.plants)
    return {
        "site": season.site.id,
        "seed": season.seed,
        "hidden": list(season.hidden.lines()),
        "plants": [_plant(p) for p in season.plants],
        "zones": [
            {
                "id": z.id,
                "planned_l": _litres(z.planned_l),
                "given_l": _litres(z.given_l),
                "delivery_error": _share(z.delivery_error),
                "delivery_error_any_day": _share(z.delivery_error_worst),
                "runs": z.runs,
                "withheld_from": z.withheld_from.isoformat() if z.withheld_from else None,
            }
            for z in season.zones
        ],
        "worst_need_error": _share(need),
        "worst_delivery_error": _share(delivery),
        "fixed_timer_worst_error": _share(timer),
        "mean_need_error": _share(need_mean),
        "mean_delivery_error": _share(delivery_mean),
        "fixed_timer_mean_error": _share(timer_mean),
        "worst_need_error_any_day": _share(spread(p.need_error_worst for p in season.plants)[0]),
        "worst_delivery_error_any_day": _share(spread(p.delivery_error_worst for p in season.plants)[0]),
        "store": [{"date": d.day.isoformat(), "usable_l": _litres(d.usable_l)} for d in season.days],
        "days": _days(season),
        "leak_l": _litres(season.leak_l),
        "overflow_l": _litres(season.overflow_l),
        "floor_reached": season.floor_reached.isoformat() if season.floor_reached else None,
        "fixed_timer_dry_days": season.timer_dry_days,
        "alerts": [
            {
                "at": a.at.isoformat(),
                "kind": a.kind,
                "text": a.text,
                "subject": a.subject,
                "advice": a.advice,
                "days_before_floor": _lead_d(a, season.floor_reached),
            }
            for a in season.alerts
        ],
        "rules_broken": list(season.rules_broken),
    }


def _days(season: Season) -> list[dict[str, Any]]:
    """Each day as it truly was; ``short``: plants that drew less than they could use, by the controller's
    balance; None for a day that it has not balanced."""
    zone_of = {p.id: season.site.zone_of(p.id).id for p in season.site.plants}
    short = _short(season)
    found = []
    for day in season.days:
        watered = dict.fromkeys((z.id for z in season.site.zones), 0.0)
        for plant, litres in day.given_l:
            watered[zone_of[plant]] += litres
        found.append(
            {
                "date": day.day.isoformat(),
                "rain_mm": day.rain_mm,
                "et0_mm": round(day.et0_mm, 2),
                "watered_l": {zone: _litres(litres) for zone, litres in watered.items()},
                "usable_l": _litres(day.usable_l),
                "short": short.get(day.day),
            }
        )
    return found


def _short(season: Season) -> dict[date, list[str]]:
    """Balanced day -> plants that stood short. A day may have been balanced again: the last word counts."""
    roots = {(root.day, root.plant): root for record in season.root_days for root in record.root_zones}
    short: dict[date, list[str]] = {day: [] for day, _ in roots}
    for (day, plant), root in roots.items():
        if root.stress > SHORT_STRESS:
            short[day].append(plant)
    return short


def _lead_d(alert: Alert, floor_reached: datetime | None) -> float | None:
    """Days from the warning to the floor; None for any other message, or where it was never reached."""
    if alert.kind not in TOLD or floor_reached is None:
        return None
    return round((floor_reached - alert.at).total_seconds() / 86400.0, 2)


def _told(alert: Alert, floor_reached: datetime | None) -> str:
    return TOLD[alert.kind] + lead_words(_lead_d(alert, floor_reached))


def _plant(plant: PlantSeason) -> dict[str, Any]:
    return {
        "id": plant.id,
        "zone": plant.zone,
        "wanted_l": _litres(plant.wanted_l),
        "planned_l": _litres(plant.planned_l),
        "given_l": _litres(plant.given_l),
        "fixed_timer_l": _litres(plant.fixed_timer_l),
        "need_error": _share(plant.need_error),
        "delivery_error": _share(plant.delivery_error),
        "fixed_timer_error": _share(plant.fixed_timer_error),
        "need_error_any_day": _share(plant.need_error_worst),
        "delivery_error_any_day": _share(plant.delivery_error_worst),
        "counted_days": plant.counted_days,
        "overtaken_by_rain_l": _litres(plant.overtaken_l),
        "need_error_in_hindsight": _share(plant.hindsight_error),
    }


def _litres(value: float) -> float:
    return round(value, 2)


def _share(value: float | None) -> float | None:
    return None if value is None else round(value, 5)


def season_picture(season: Season, title: str) -> SeasonPicture:
    """The values that the picture of the season shows."""
    model = garden_model(season.site)
    names = {p.id: p.name for p in season.site.plants}
    zone_names = {z.id: z.name for z in season.site.zones}
    short_plants = _short(season)
    runs = []
    for run in season.runs:
        zone = model.zones[run.zone]
        level = (run.level_start_m + run.level_end_m) / 2.0
        head = float(np.mean(zone.curve.heads_m(zone.outlet_level_m(level))))
        runs.append(RunPoint(zone_names[run.zone], run.opened, head, run.open_s / 60.0))
    return SeasonPicture(
        title=title,
        units=season.site.units,
        reserve_m=season.reserve_level_m,
        brim_m=season.brim_level_m,
        days=tuple(
            DayPoint(d.day, d.level_m, d.timer_level_m, d.rain_mm, None if s is None else len(s))
            for d, s in ((d, short_plants.get(d.day)) for d in season.days)
        ),
        told=tuple(
            (a.at.astimezone(season.site.place.timezone), _told(a, season.floor_reached))
            for a in season.alerts
            if a.kind in TOLD
        ),
        runs=tuple(runs),
        timer_minutes=tuple((zone_names[z], s / 60.0) for z, s in season.timer.run_s.items()),
        plants=tuple(PlantTotal(names[p.id], p.wanted_l, p.given_l, p.fixed_timer_l) for p in season.plants),
    )
