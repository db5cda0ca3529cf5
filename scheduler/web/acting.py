"""What is done: the stop, everything a person tells or asks, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from scheduler.control.care import TASKS
from scheduler.control.effects import Booking, Intent
from scheduler.control.supervision import STOP_CONFIRMED
from scheduler.planning.choices import RANK_LEAST, RANK_MOST
from scheduler.planning.words import WAY_WORDS
from scheduler.service.asking import NEVER_HEARD, ask, never_heard
from scheduler.service.practised import check_can_ask, practice_ended
from scheduler.site.errors import StoreError
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume
from scheduler.store.store import AskedRequest, Store
from scheduler.web.asked_words import what_words
from scheduler.web.asks import ASKS, UNITS, Filled, Wanted
from scheduler.web.facts import Facts, Garden
from scheduler.web.guard import STOP_PATH, address_of
from scheduler.web.rendering import mark, show
from scheduler.web.rights import Right, needs, parts_of, posts, visitor_of
from scheduler.web.showing import sentence

router = APIRouter()
# Requests further back are history; `fallinghead` shows it.
ASKED_DAYS = 30
HAND_TAP = "If you are not sure, shut the hand tap at the barrels."

Once = Annotated[str, Form(min_length=16, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]
Short = Annotated[str, Form(max_length=60)]


@router.post(STOP_PATH, dependencies=[posts(Right.LOOK)])
def stop(request: Request, once: Once = "") -> Response:
    """Close every valve. Under no limit but this: stops in a storm of them are answered with the last one."""
    parts, visitor = parts_of(request), visitor_of(request)
    check_can_ask("stop", parts.garden.environment)
    if not parts.stops.takes(address_of(request.scope)):
        last = _last_stop(parts.garden)
        if last is not None:
            return RedirectResponse(f"/asked/{last}", 303)
    try:
        asked = ask(
            parts.garden.site,
            "stop",
            visitor.who,
            None,
            None,
            wait_s=parts.stop_wait_s,
            at=parts.garden.now(),
            environment=parts.garden.environment,
            once=once or None,
        )
    except StoreError as error:
        said = f"The stop could not be passed on: shut the hand tap at the barrels. {error}"
        return show(request, "said.html", 503, heading="Not stopped", said=said)
    return RedirectResponse(f"/asked/{asked.request_id}", 303)


def _last_stop(garden: Garden) -> int | None:
    """The newest request, where it is a stop: nothing was asked since."""
    with garden.store() as store:
        asked = store.requests_since(garden.now() - timedelta(days=1))
    newest = max(asked, key=lambda a: a.request.id, default=None)
    return newest.request.id if newest is not None and newest.request.kind == "stop" else None


@router.get("/tell", dependencies=[needs(Right.LOOK)])
def tell(request: Request) -> Response:
    """Every form."""
    return show(request, "tell.html", here="tell", **tell_values(parts_of(request).garden.look()))


def tell_values(facts: Facts) -> dict[str, Any]:
    """What the forms need: the names to choose from, the units, and what holds now."""
    site = facts.site
    ranks = sorted(facts.choices.ranks.items())
    return {
        "site": site,
        "unit": UNITS[site.units],
        "way": facts.choices.way,
        "way_words": WAY_WORDS[facts.choices.way],
        "ranks": ", ".join(f"{site.plant(p).name} {rank}" for p, rank in ranks if _is_plant(site, p)),
        "released": facts.choices.reserve_released,
        "reserve": show_volume(site.reserve.volume_l, site.units),
        "drained": facts.status is not None and facts.status.winter is not None,
        "care_tasks": TASKS,
        "rank_least": RANK_LEAST,
        "rank_most": RANK_MOST,
    }


def _is_plant(site: Site, ident: str) -> bool:
    return any(p.id == ident for p in site.plants)


@router.post("/tell/{name}", dependencies=[posts(Right.ACT)])
def told(
    request: Request,
    name: Annotated[str, Path(max_length=20)],
    once: Once,
    subject: Short = "",
    amount: Short = "",
    day: Short = "",
    until: Short = "",
    back: Short = "",
) -> Response:
    """Keep the request, wait for what becomes of it, and show that."""
    if name not in ASKS:
        raise HTTPException(404)
    parts, visitor = parts_of(request), visitor_of(request)
    garden = parts.garden
    check_can_ask(name, garden.environment)
    wanted: Wanted = ASKS[name](garden.site, Filled(subject, amount, day, until, back != ""), garden.now())
    asked = ask(
        garden.site,
        wanted.kind,
        visitor.who,
        wanted.subject,
        wanted.amount,
        wait_s=parts.wait_s,
        at=garden.now(),
        environment=garden.environment,
        once=once,
    )
    return RedirectResponse(f"/asked/{asked.request_id}", 303)


# ---- What became of it ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fate:
    """``state``: "waiting", "sent" (on its way, not confirmed), "done" or "refused"."""

    state: str
    heading: str
    said: str
    more: str = ""


@router.get("/asked/{number}", dependencies=[needs(Right.LOOK)])
def asked(request: Request, number: Annotated[int, Path(ge=0, le=2**53)]) -> Response:
    """What was asked and what really happened, from the answer in the store."""
    garden = parts_of(request).garden
    with garden.store() as store:
        found = request_of(store, garden, number)
        if found is None:
            raise HTTPException(404)
        fate = fate_of(store, garden, found)
    at = found.request.at.astimezone(garden.site.place.timezone)
    return show(
        request,
        "asked.html",
        fate=fate,
        number=number,
        mark=mark(fate),
        what=what_words(garden.site, found.request),
        who=found.request.who,
        at=f"{at:%A %H:%M:%S}",
        pending=fate.state in ("waiting", "sent"),
    )


def request_of(store: Store, garden: Garden, number: int) -> AskedRequest | None:
    since = garden.now() - timedelta(days=ASKED_DAYS)
    return next((a for a in store.requests_since(since) if a.request.id == number), None)


def fate_of(store: Store, garden: Garden, found: AskedRequest) -> Fate:
    """A stop is done when the node says so, water when its run is booked; the rest when it is answered."""
    request, answer = found.request, found.answer
    if answer is None:
        return _unanswered(garden, stop=request.kind == "stop")
    if not answer.done:
        return Fate("refused", "Refused", answer.text)
    if request.kind == "stop":
        if answer.text == STOP_CONFIRMED:
            return Fate("done", "Stopped, and every valve is shut", answer.text)
        if never_heard(store, garden.site):
            return Fate("sent", "Stopped, but no node was ever heard", NEVER_HEARD)
        return Fate("sent", "Stopped, but not confirmed", answer.text, HAND_TAP)
    if request.kind == "water":
        return _watering(store, garden.site, found)
    return Fate("done", "Done", answer.text)


def _unanswered(garden: Garden, *, stop: bool) -> Fate:
    if practice_ended(garden.environment) is not None:
        return Fate("refused", "Not done", "The practice was over before this was answered.")
    more = f"No valve is proven shut. {HAND_TAP}" if stop else ""
    if garden.served():
        return Fate("waiting", "Kept, not answered yet", "It is written down and not lost.", more)
    text = "It is written down, but the service that waters is not running: it acts when it starts."
    return Fate("waiting", "Kept, not done", text, more)


def _watering(store: Store, site: Site, found: AskedRequest) -> Fate:
    answer = found.answer
    assert answer is not None
    intent = _made_for(store, found)
    if intent is None:
        return Fate("sent", "Taken up", answer.text)
    booking = next(
        (b for b in store.bookings_since(_day(site, intent)) if b.order_id == intent.order.order_id), None
    )
    if booking is None:
        return Fate("sent", "The order is sent; the valve has not reported yet", answer.text)
    if booking.volume_l <= 0.0:  # refused by the node, lost on its way, or broken off at once
        return Fate("refused", "Not watered", f"No water went out. {sentence(booking.note)}".strip())
    return Fate("done", "Watered", _booked_words(site, booking), booking.note)


def _made_for(store: Store, found: AskedRequest) -> Intent | None:
    """The order made for a person's water: theirs, of that subject, the first after it was asked."""
    request = found.request
    for intent in store.intents_since(request.at):
        subjects = (intent.zone, *(plant for plant, _ in intent.planned_l))
        if intent.asked_by == request.who and request.subject in subjects:
            return intent
    return None


def _day(site: Site, intent: Intent) -> date:
    return intent.made_at.astimezone(site.place.timezone).date()


def _booked_words(site: Site, booking: Booking) -> str:
    volume = show_volume(booking.volume_l, site.units)
    low, high = show_volume(booking.volume_low_l, site.units), show_volume(booking.volume_high_l, site.units)
    return f"{volume} went out ({low} to {high}) in {show_duration(booking.open_s)}."
