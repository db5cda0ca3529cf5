"""What a person asked or told, as the page repeats it."""

from __future__ import annotations

from datetime import date

from scheduler.control.care import BY_ID
from scheduler.control.events import Request
from scheduler.control.spans import read_day, read_span
from scheduler.planning.words import WAY_WORDS
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_length, show_rain, show_volume

KIND_WORDS = {
    "stop": "Stop all watering",
    "resume": "Start again",
    "water": "Water now",
    "measured": "A measured level",
    "took": "Water taken from the barrels",
    "topped_up": "The barrels topped up",
    "gave": "A plant watered by hand",
    "rained": "Rain of your own gauge",
    "hold": "Hold",
    "rank": "Another rank",
    "ration": "How a short store is spent",
    "reserve": "The reserve",
    "winter": "The winter",
    "away": "Away",
    "care": "Care done",
    "quiet": "Messages",
    "open_for": "Open a valve for a test",
    "shut": "Shut a valve after a test",
}
_VOLUMES = ("water", "took", "topped_up", "gave")


def what_words(site: Site, request: Request) -> str:
    """ "Water now: Tomato, 4.0 L": the kind, whom or when, how much."""
    parts = [part for part in (_subject(site, request), _amount(site, request)) if part]
    kind = KIND_WORDS.get(request.kind, request.kind)
    return f"{kind}: {', '.join(parts)}" if parts else kind


def _subject(site: Site, request: Request) -> str:
    subject = request.subject
    if request.kind == "quiet" and subject is not None and " " not in subject:
        return f"{subject.replace('_', ' ')} is told again"
    if subject is None:
        return {"winter": "the garden is back", "away": "at home again", "reserve": "kept again"}.get(
            request.kind, ""
        )
    try:
        if request.kind in ("winter", "away"):
            span = read_span(subject)
            return f"from {_day(span.first)}" + (f" to {_day(span.last)}" if span.last is not None else "")
        if request.kind == "rained":
            return f"on {_day(read_day(subject))}"
        if request.kind in ("care", "quiet"):
            what, _, day = subject.partition(" ")
            named = BY_ID[what].words if what in BY_ID else what.replace("_", " ")
            return (
                f"{named}{' on ' if request.kind == 'care' else ' put off to '}{_day(read_day(day))}"
                if day
                else named
            )
    except ValueError:
        return subject
    if request.kind == "ration":
        return next((words for way, words in WAY_WORDS.items() if way == subject), subject)
    names = {z.id: z.name for z in site.zones} | {p.id: p.name for p in site.plants}
    return names.get(subject, subject)


def _amount(site: Site, request: Request) -> str:
    amount = request.amount
    if amount is None:
        return "as in the site file" if request.kind == "rank" else ""
    if request.kind in _VOLUMES:
        return show_volume(amount, site.units)
    if request.kind == "measured":
        return f"{show_length(amount, site.units)} above the outlet"
    if request.kind == "rained":
        return show_rain(amount, site.units)
    if request.kind == "rank":
        return f"{amount:.0f}"
    if request.kind == "open_for":
        return f"for at most {show_duration(amount)}"
    if request.kind == "hold":
        return f"for {show_duration(3600.0 * amount)}" if amount > 0.0 else "ended"
    return ""


def _day(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B}"
