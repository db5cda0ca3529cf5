"""The page of one garden as an ASGI application: a process of its own, which only reads the store and puts
requests into it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path

from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from fastapi.templating import Jinja2Templates
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from scheduler import __version__
from scheduler.report.paper import Page
from scheduler.site.errors import FallingheadError, UsageError
from scheduler.web import (
    acting,
    calendar_page,
    change_page,
    day_page,
    door,
    pages,
    plant_page,
    round_page,
    season_page,
    tested_page,
    weeks_page,
    year_page,
)
from scheduler.web.facts import Garden
from scheduler.web.for_page import for_page, for_round
from scheduler.web.guard import App, Guard
from scheduler.web.kept import Kept
from scheduler.web.keys import Keys
from scheduler.web.limits import ASKS_PER_MINUTE, STOPS_PER_MINUTE, Rate, Tries
from scheduler.web.parts import STOP_WAIT_S, WAIT_S, Parts
from scheduler.web.rendering import show
from scheduler.web.rights import NotAllowed, Right, StaleForm, once

HERE = Path(__file__).parent
# Answers shorter than this are not worth packing.
PACK_BYTES = 800


def make_app(
    garden: Garden,
    keys: Keys,
    *,
    hosts: Iterable[str],
    tls: bool,
    look_only: bool = False,
    monotonic: Callable[[], float] = time.monotonic,
    wait_s: float = WAIT_S,
    stop_wait_s: float = STOP_WAIT_S,
    round_of: Sequence[str] = (),
) -> App:
    """The application behind its guard. ``hosts``: the names it answers to; ``round_of``: the gardens of its
    round, none for no such page."""
    return Guard(
        inner_app(
            garden,
            keys,
            tls=tls,
            look_only=look_only,
            monotonic=monotonic,
            wait_s=wait_s,
            stop_wait_s=stop_wait_s,
            round_of=round_of,
        ),
        hosts=hosts,
        rate=Rate(monotonic, ASKS_PER_MINUTE),
        tls=tls,
    )


def inner_app(
    garden: Garden,
    keys: Keys,
    *,
    tls: bool,
    look_only: bool,
    monotonic: Callable[[], float],
    wait_s: float,
    stop_wait_s: float,
    round_of: Sequence[str] = (),
) -> FastAPI:
    routers = (
        pages.router,
        acting.router,
        door.router,
        plant_page.router,
        day_page.router,
        weeks_page.router,
        tested_page.router,
        change_page.router,
        season_page.router,
        year_page.router,
        round_page.router,
        calendar_page.router,
    )
    made = Parts(
        title=garden.site.name,
        one=garden,
        keys=keys,
        templates=_templates(has_round=bool(round_of) and not look_only),
        tries=Tries(monotonic),
        stops=Rate(monotonic, STOPS_PER_MINUTE),
        monotonic=monotonic,
        kept=Kept(monotonic),
        look_only=look_only,
        cookie=_cookie(tls),
        secure=tls,
        wait_s=wait_s,
        stop_wait_s=stop_wait_s,
        round=round_page.Round(round_of, now=garden.now, monotonic=monotonic) if round_of else None,
    )
    return _app(made, routers)


def make_office(
    title: str,
    round_of: Sequence[str],
    keys: Keys,
    *,
    hosts: Iterable[str],
    tls: bool,
    now: Callable[[], datetime],
    monotonic: Callable[[], float] = time.monotonic,
) -> App:
    """The page of a fitter who has a round and no garden of his own: the round, behind the same guard."""
    made = Parts(
        title=title,
        one=None,
        keys=keys,
        templates=_templates(has_round=True),
        tries=Tries(monotonic),
        stops=Rate(monotonic, STOPS_PER_MINUTE),
        monotonic=monotonic,
        kept=Kept(monotonic),
        look_only=False,
        cookie=_cookie(tls, office=True),
        secure=tls,
        round=round_page.Round(round_of, now=now, monotonic=monotonic),
    )
    app = _app(made, (round_page.office, door.router, round_page.router))
    return Guard(app, hosts=hosts, rate=Rate(monotonic, ASKS_PER_MINUTE), tls=tls, has_stop=False)


def _cookie(tls: bool, *, office: bool = False) -> str:
    # Cookies know no port: an office and a garden on one host need a name each (RFC 6265 8.5). The prefix
    # binds one to TLS, this host and the whole of it (RFC 6265bis 4.1.3.2).
    name = "fallinghead-round" if office else "fallinghead"
    return f"__Host-{name}" if tls else name


@cache
def _templates(*, has_round: bool) -> Jinja2Templates:
    """Read and compiled once, however many pages a process serves."""
    templates = Jinja2Templates(HERE / "templates")
    templates.env.template_class = Page
    templates.env.trim_blocks = templates.env.lstrip_blocks = True
    templates.env.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    templates.env.filters["for_page"] = for_page
    templates.env.filters["for_round"] = for_round
    templates.env.globals.update(once=once, version=__version__, has_round=has_round)
    return templates


def _app(parts: Parts, routers: Iterable[APIRouter]) -> FastAPI:
    app = FastAPI(
        title="Fallinghead, the page of a garden",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    app.state.parts = parts
    for router in routers:
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    app.add_middleware(GZipMiddleware, minimum_size=PACK_BYTES)
    _when_it_goes_wrong(app)
    return app


def _when_it_goes_wrong(app: FastAPI) -> None:
    @app.exception_handler(NotAllowed)
    def not_allowed(request: Request, error: NotAllowed) -> Response:
        if request.app.state.parts.look_only:
            text = "This page may only be looked at here; all but a stop is told on the Pi, or over TLS."
            return show(request, "said.html", 403, heading="Only to look at", said=text)
        if not request.app.state.parts.keys.has_password:
            return RedirectResponse("/first", 303)
        again = "?again" if error.right is Right.ACT else ""
        return RedirectResponse(f"/enter{again}", 303)

    @app.exception_handler(StaleForm)
    def stale_form(request: Request, _error: StaleForm) -> Response:
        text = (
            "That form was of an earlier visit, and nothing was done. Go back to the page and send it again."
        )
        return show(request, "said.html", 403, heading="Send it once more", said=text)

    @app.exception_handler(FallingheadError)
    def ours(request: Request, error: FallingheadError) -> Response:
        wrong = isinstance(error, UsageError)
        heading = "That cannot be" if wrong else "It did not work"
        return show(request, "said.html", 400 if wrong else 503, heading=heading, said=str(error))

    @app.exception_handler(RequestValidationError)
    def misread(request: Request, error: RequestValidationError) -> Response:
        fields = ", ".join(sorted({str(e["loc"][-1]) for e in error.errors()}))
        text = f"Something is missing or too long ({fields}). Nothing was done."
        return show(request, "said.html", 422, heading="That cannot be", said=text)

    @app.exception_handler(HTTPException)
    def other(request: Request, error: HTTPException) -> Response:
        text = "There is no such page here." if error.status_code == 404 else str(error.detail)
        return show(request, "said.html", error.status_code, heading="Not here", said=text)
