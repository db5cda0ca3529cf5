"""A plant: its need, its soil, what it got, its emitters."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from scheduler.agronomy.need import APPLICATION_EFFICIENCY
from scheduler.control.effects import RootZoneRecord
from scheduler.report.answers import WhyAnswer
from scheduler.report.plan import worth_saying
from scheduler.report.why import why_answer
from scheduler.site.errors import UsageError
from scheduler.site.model import Plant, Site
from scheduler.site.showing import (
    show_flow,
    show_length,
    show_share,
    show_volume,
)
from scheduler.store.store import Store
from scheduler.survey.section import SectionEmitter, long_section
from scheduler.web.acting import tell_values
from scheduler.web.drawing import REACH_WORDS, reach
from scheduler.web.facts import Facts
from scheduler.web.pages import levels_of
from scheduler.web.plant_rows import plant_reach, reach_words, soil_words
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of

router = APIRouter()
# Days of a plant's table.
PLANT_DAYS = 14
UNKNOWN = "not known"


@router.get("/plant/{ident}", dependencies=[needs(Right.LOOK)])
def plant(request: Request, ident: Annotated[str, Path(max_length=60)]) -> Response:
    """What it needs, what its roots hold, what it got, what its emitters give."""
    garden = parts_of(request).garden
    facts = garden.look()
    found = next((p for p in facts.site.plants if p.id == ident), None)
    if found is None:
        raise HTTPException(404)
    days: list[dict[str, str]] = []
    why: WhyAnswer | None = None
    if facts.status is not None:
        with garden.store() as store:
            days = plant_days(facts, store, found)
            why = _why(facts, store, facts.plan.day if facts.plan else facts.today, found.id)
    zone = facts.site.zone_of(found.id)
    return show(
        request,
        "plant.html",
        plant=found,
        zone=zone,
        reach=reach_words(facts, found.id, plant_reach(facts, found.id)),
        soil=soil_words(found, (facts.roots or {}).get(found.id)),
        missing=_missing(facts, found),
        why=_plant_why(facts.site, why),
        plan_day=why.day if why is not None else None,
        days=days,
        emitters=_emitters(facts, zone.id, found.id),
        known=facts.level_m is not None,
        **tell_values(facts),
        rank=facts.choices.ranks.get(found.id),
    )


def _why(facts: Facts, store: Store, day: date, subject: str | None) -> WhyAnswer | None:
    try:
        return why_answer(facts.site, store, day, subject)
    except UsageError:
        return None


def _missing(facts: Facts, plant: Plant) -> str:
    """What would fill its roots, at the emitters."""
    record = (facts.roots or {}).get(plant.id)
    if record is None:
        return ""
    litres = record.depletion_mm * plant.canopy_m2 / APPLICATION_EFFICIENCY
    return show_volume(litres, facts.site.units)


def _plant_why(site: Site, why: WhyAnswer | None) -> dict[str, Any] | None:
    if why is None or not why.plants:
        return None
    share = why.plants[0]
    return {
        "wanted": show_volume(share.wanted_l, site.units),
        "planned": show_volume(share.planned_l, site.units),
        "booked": show_volume(share.booked_l, site.units),
        "reasons": [r.text for r in share.reasons if worth_saying(site, r)],
    }


def plant_days(facts: Facts, store: Store, plant: Plant) -> list[dict[str, str]]:
    """The balanced days, newest first, and today with what was given so far."""
    units, first = facts.site.units, facts.today - timedelta(days=PLANT_DAYS)
    records = {r.day: r for r in store.root_zones_since(first) if r.plant == plant.id}
    given: dict[date, float] = {}
    for day, ident, litres in store.given_since(first):
        if ident == plant.id:
            given[day] = given.get(day, 0.0) + litres
    return [
        _plant_day(day, records.get(day), given.get(day, 0.0), units)
        for day in sorted({*records, *given}, reverse=True)
    ]


def _plant_day(day: date, record: RootZoneRecord | None, given_l: float, units: Any) -> dict[str, str]:
    return {
        "day": f"{day:%a} {day.day}",
        "link": day.isoformat(),
        "used": show_volume(record.wanted_l, units) if record is not None else UNKNOWN,
        "rain": show_volume(record.rain_credited_l, units) if record is not None else UNKNOWN,
        "given": show_volume(record.given_l if record is not None else given_l, units),
        "short": show_share(record.stress) if record is not None and record.stress > 0.005 else "",
    }


def _emitters(facts: Facts, zone: str, plant: str) -> list[dict[str, str]]:
    levels = levels_of(facts)
    section = long_section(facts.made.model, zone, levels=facts.made.levels[zone], at=levels.at()[:1])
    units = facts.site.units
    return [_emitter(e, units) for e in section.emitters if e.plant == plant]


def _emitter(emitter: SectionEmitter, units: Any) -> dict[str, str]:
    look = reach(emitter.flows_lph)
    stops = emitter.stops_m
    ends = "never reached" if stops is None else show_length(stops, units) if stops > 0.0 else "the outlet"
    return {
        "id": emitter.id,
        "along": show_length(emitter.along_m, units),
        "head": show_length(emitter.heads_m[0], units) if emitter.heads_m else UNKNOWN,
        "flow": show_flow(emitter.flows_lph[0], units) if look == "reached" else REACH_WORDS[look],
        "stops": ends,
    }
