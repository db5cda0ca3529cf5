"""The calendar feed, and the page on which its link is made and ended.

A calendar program cannot enter a password, so the link itself is the key: 256 random bits that open the feed
and no other page: coming runs, when the water runs short, days of care, and whether watering is stopped or
the garden drained. There is none until somebody makes it, a new one ends the old, and it stands in no log of
ours.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from scheduler.report.ahead import weeks_ahead
from scheduler.report.calendar import calendar_answer, calendar_feed
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of, posts

router = APIRouter()
FEED_TYPE = "text/calendar; charset=utf-8"
Secret = Annotated[str, Path(max_length=80)]


@router.get("/calendar", dependencies=[needs(Right.LOOK)])
def calendar(request: Request) -> Response:
    """The link, for who is let in."""
    parts = parts_of(request)
    if parts.look_only:
        raise HTTPException(404)
    secret = parts.keys.calendar_link()
    link = f"{request.url.scheme}://{request.url.netloc}/calendar/{secret}.ics" if secret else ""
    return show(request, "calendar.html", here="calendar", link=link, secure=parts.secure)


@router.post("/calendar/new", dependencies=[posts(Right.ACT)])
def new_link(request: Request) -> Response:
    parts_of(request).keys.new_calendar_link()
    return RedirectResponse("/calendar", 303)


@router.post("/calendar/end", dependencies=[posts(Right.ACT)])
def end_link(request: Request) -> Response:
    parts_of(request).keys.end_calendar_link()
    return RedirectResponse("/calendar", 303)


@router.get("/calendar/{secret}.ics", dependencies=[needs(Right.NONE)])
def feed(request: Request, secret: Secret) -> Response:
    """All that is coming, for whoever has the link. Any other link is as if there were none."""
    parts = parts_of(request)
    if parts.look_only or not parts.keys.calendar_link_is_right(secret):
        raise HTTPException(404)
    with parts.garden.store() as store:
        site, now = parts.garden.made(store).site, parts.garden.now()
        # Worked out here and waited for: entries that come and go with each reading help nobody.
        answer = calendar_answer(site, store, now, weeks_ahead(site, store, now))
    return Response(calendar_feed(answer), media_type=FEED_TYPE)
