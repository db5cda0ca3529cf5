"""When to drain: the coldest night that the forecast knows, and the first one with frost."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.agronomy.weather import Outlook
from scheduler.control.frost import FROST_C, first_night
from scheduler.control.schedule import OUTLOOK_AGE
from scheduler.report.answers import FrostAheadAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import show_temperature

HOW = (
    "empty the barrels, open their taps, turn the downspout away, take filter, sensor and battery in; then "
    "tell it: fallinghead winter drained"
)


def frost_ahead(site: Site, outlook: Outlook | None, now: datetime) -> FrostAheadAnswer | None:
    """From the next night on; None: no fresh forecast that knows a temperature."""
    first = first_night(now.astimezone(site.place.timezone))
    if outlook is None or now - outlook.fetched_at > OUTLOOK_AGE:
        return None
    nights = [(d.day, d.tmin_c) for d in outlook.days if d.day >= first and d.tmin_c is not None]
    if not nights:
        return None
    coldest_on, coldest_c = min(nights, key=lambda n: n[1])
    return FrostAheadAnswer(
        through=nights[-1][0],
        coldest_on=coldest_on,
        coldest_c=coldest_c,
        frost_on=next((day for day, tmin_c in nights if tmin_c <= FROST_C), None),
    )


def frost_words(site: Site, frost: FrostAheadAnswer | None, today: date) -> list[str]:
    """Whether it is time, by the forecast; beyond it nobody knows."""
    if frost is None:
        return [f"No fresh forecast: whether frost is coming is not known. Before the first frost {HOW}."]
    coldest = show_temperature(frost.coldest_c, site.units)
    on = day_words(frost.coldest_on, today)
    if frost.frost_on is not None:
        return [
            f"Frost is forecast for {day_words(frost.frost_on, today)}; the coldest is {on} with {coldest}.",
            f"Drain before that: {HOW}.",
        ]
    through = day_words(frost.through, today)
    return [
        f"No frost is forecast through {through}; the coldest is {on} with {coldest}.",
        f"Before the first frost {HOW}.",
    ]
