"""A day: its plan with the reasons, what happened, where the water went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from scheduler.agronomy.weather import DayWeather
from scheduler.report.answers import WaterDayAnswer, WhyAnswer, WhyZoneAnswer
from scheduler.report.plan import worth_saying
from scheduler.report.water_days import DRAWN_OR_BOOKED, balance_answer
from scheduler.report.why import show_change, source_lines, why_answer
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import (
    give_or_take,
    show_duration,
    show_rain,
    show_temperature,
    show_volume,
)
from scheduler.store.store import Store
from scheduler.web.alert_words import own_words
from scheduler.web.asked_words import what_words
from scheduler.web.facts import Facts
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.showing import sentence

router = APIRouter()
UNKNOWN = "not known"
# Of a run's time less is not worth a word.
WORTH_SAYING_S = 30.0


def _why(facts: Facts, store: Store, day: date, subject: str | None) -> WhyAnswer | None:
    try:
        return why_answer(facts.site, store, day, subject)
    except UsageError:
        return None


@router.get("/day", dependencies=[needs(Right.LOOK)])
def today(request: Request) -> Response:
    garden = parts_of(request).garden
    day = garden.now().astimezone(garden.site.place.timezone).date()
    return RedirectResponse(f"/day/{day.isoformat()}", 303)


@dataclass(frozen=True, slots=True)
class _Day:
    """A local day and its ends in UTC."""

    day: date
    begins: datetime
    ends: datetime

    def holds(self, at: datetime) -> bool:
        return self.begins <= at < self.ends


@router.get("/day/{text}", dependencies=[needs(Right.LOOK)])
def day(request: Request, text: Annotated[str, Path(max_length=10)]) -> Response:
    """What was planned and why, what happened, what people told."""
    try:
        asked = date.fromisoformat(text)
        before, after = asked - timedelta(days=1), asked + timedelta(days=1)
    except (ValueError, OverflowError):
        raise HTTPException(404) from None
    garden = parts_of(request).garden
    facts = garden.look()
    values: dict[str, Any] = {"zones": [], "plants": [], "happened": [], "water": [], "weather": ""}
    if facts.status is not None:
        with garden.store() as store:
            values = _day_values(facts, store, _ends(facts.site, asked))
    return show(
        request,
        "day.html",
        here="day",
        day=asked,
        today=facts.today,
        before=before,
        after=after if after <= facts.today + timedelta(days=1) else None,
        **values,
    )


def _ends(site: Site, day: date) -> _Day:
    zone = site.place.timezone
    begins = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
    ends = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).astimezone(UTC)
    return _Day(day, begins, ends)


def _day_values(facts: Facts, store: Store, day: _Day) -> dict[str, Any]:
    site, units = facts.site, facts.site.units
    why = _why(facts, store, day.day, None)
    water = next((d for d in balance_answer(site, store, day.day).days if d.day == day.day), None)
    weather = next((w for w in store.weather_since(day.day) if w.day == day.day), None)
    return {
        "planned": why is not None,
        "made_at": f"{why.made_at.astimezone(site.place.timezone):%H:%M}" if why is not None else "",
        "reasons": [r.text for r in why.reasons] if why is not None else [],
        "zones": [_zone(site, z) for z in why.zones] if why is not None else [],
        "plants": [
            {
                "id": p.id,
                "name": p.name,
                "wanted": show_volume(p.wanted_l, units),
                "planned": show_volume(p.planned_l, units),
                "booked": show_volume(p.booked_l, units),
            }
            for p in (why.plants if why is not None else [])
        ],
        "sources": source_lines(why) if why is not None else [],
        "happened": _happened(facts, store, day),
        "water": _water(site, water),
        "drawn_or_booked": DRAWN_OR_BOOKED,
        "weather": _weather(site, weather),
    }


def _zone(site: Site, zone: WhyZoneAnswer) -> dict[str, Any]:
    local, units = site.place.timezone, site.units
    head = "Not watered."
    if zone.start is not None and zone.run_s is not None:
        start = f"{zone.start.astimezone(local):%H:%M}"
        head = f"From {start}, open {show_duration(zone.run_s)} for {show_volume(zone.volume_l, units)}."
    booked = f"Booked to plants: {show_volume(zone.booked_l, units)}." if zone.booked_l is not None else ""
    return {
        "name": zone.name,
        "head": head,
        "booked": booked,
        "reasons": [r.text for r in zone.reasons if worth_saying(site, r)],
        "would": [r.text for r in zone.would_change],
        "compared": _compared(zone),
    }


def _compared(zone: WhyZoneAnswer) -> str:
    """Longer or shorter than a week before, and by what."""
    found = zone.compared
    if found is None:
        return ""
    causes = "; ".join(c.text for c in found.causes if abs(c.change_s) >= WORTH_SAYING_S)
    more_s = found.after_s - found.before_s
    if abs(more_s) < WORTH_SAYING_S:
        change = "About as long as"
    else:
        longer = "longer" if more_s > 0.0 else "shorter"
        change = f"{show_change(more_s)} {longer} than"
    then = f"{change} the {show_duration(found.before_s)} of {found.day:%A %d %B}"
    return f"{then}: {causes}." if causes else f"{then}."


def _happened(facts: Facts, store: Store, day: _Day) -> list[dict[str, str]]:
    """Runs, requests with their answers, and alerts, by the clock."""
    site, zone = facts.site, facts.site.place.timezone
    found: list[tuple[datetime, str]] = []
    for booking in store.bookings_since(day.day):
        if booking.day == day.day:
            volume = show_volume(booking.volume_l, site.units)
            name = next((z.name for z in site.zones if z.id == booking.zone), booking.zone)
            text = f"{name}: {volume} in {show_duration(booking.open_s)}. {sentence(booking.note)}".strip()
            found.append((booking.at, text))
    for asked in store.requests_since(day.begins):
        if day.holds(asked.request.at):
            answer = asked.answer.text if asked.answer is not None else "Not answered yet."
            found.append(
                (asked.request.at, f"{asked.request.who}: {what_words(site, asked.request)}. {answer}")
            )
    alerts = [raised.alert for raised in store.alerts_since(day.begins)]
    found += [(alert.at, own_words(site, alert.text)) for alert in alerts if day.holds(alert.at)]
    return [{"at": f"{at.astimezone(zone):%H:%M}", "text": text} for at, text in sorted(found)]


def _water(site: Site, day: WaterDayAnswer | None) -> Sequence[tuple[str, str]]:
    if day is None:
        return ()

    def shown(litres: float | None) -> str:
        return show_volume(litres, site.units) if litres is not None else UNKNOWN

    rest = shown(day.rest_l)
    if day.rest_l is not None and day.rest_sd_l is not None:
        rest += give_or_take(show_volume(2.0 * day.rest_sd_l, site.units))
    return (
        ("at its start", shown(day.start_l)),
        ("caught from the roof", shown(day.caught_l)),
        ("topped up", shown(day.added_l)),
        ("ran over", shown(day.overflow_l)),
        ("drawn by runs", shown(day.drawn_l)),
        ("taken by hand", shown(day.taken_l)),
        ("leaked", shown(day.leak_l)),
        ("at its end", shown(day.end_l)),
        ("that nobody accounts for", rest),
    )


def _weather(site: Site, day: DayWeather | None) -> str:
    if day is None:
        return ""
    units = site.units
    rain = show_rain(day.rain_mm, units) if day.rain_mm is not None else "rain not known"
    low, high = show_temperature(day.tmin_c, units), show_temperature(day.tmax_c, units)
    return f"{low} to {high}, rain {rain}" if day.rain_mm is not None else f"{low} to {high}, {rain}"
