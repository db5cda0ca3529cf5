"""The fitter's round as a page: the same answer that ``fallinghead round`` prints."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from scheduler.report.answers import RoundAnswer
from scheduler.report.round import round_answer
from scheduler.report.round_gardens import RoundGarden, round_gardens
from scheduler.report.round_words import WHAT_HARM_IS, round_head, round_rows
from scheduler.web.parts import Parts
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.standing import local_clock

router = APIRouter()
office = APIRouter()
# To look at one garden takes about a tenth of a second of a small computer; a page that is loaded again
# within this is the same.
LOOK_AGAIN_S = 60.0


class Round:
    """The gardens behind the page, looked at once a minute at the most. Safe to use from several threads."""

    def __init__(
        self, named: Sequence[str], *, now: Callable[[], datetime], monotonic: Callable[[], float]
    ) -> None:
        self._named = tuple(named)
        self._now = now
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._looked: tuple[float, tuple[RoundGarden, ...], RoundAnswer] | None = None

    def look(self) -> tuple[tuple[RoundGarden, ...], RoundAnswer]:
        """The gardens and what was found. UsageError: the list of them leads nowhere any more."""
        with self._lock:
            now_s = self._monotonic()
            if self._looked is None or now_s - self._looked[0] > LOOK_AGAIN_S:
                gardens = round_gardens(self._named)
                self._looked = (now_s, gardens, round_answer(gardens, self._now()))
            return self._looked[1:]


@router.get("/round", dependencies=[needs(Right.LOOK)])
def round_of_gardens(request: Request) -> Response:
    """Other people's gardens: never where everybody may look."""
    parts = parts_of(request)
    if parts.round is None or parts.look_only:
        raise HTTPException(404)
    gardens, answer = parts.round.look()
    rows = round_rows(answer, gardens)
    return show(
        request,
        "round.html",
        here="round",
        head=round_head(answer),
        what_harm_is=WHAT_HARM_IS,
        worst=[r for r in rows if r.standing != "well"],
        well=[r for r in rows if r.standing == "well"],
        bring=answer.bring,
        clock=_clock(parts, gardens, answer.at),
    )


def _clock(parts: Parts, gardens: Sequence[RoundGarden], at: datetime) -> str:
    """By the calendar of the page's garden, or of the first that can be read."""
    site = parts.one.site if parts.one is not None else next((g.site for g in gardens if g.site), None)
    return local_clock(site, at) if site is not None else f"{at:%A %H:%M} UTC"


@office.get("/", dependencies=[needs(Right.LOOK)])
def first_page() -> Response:
    """An office opens on its round."""
    return RedirectResponse("/round", 303)
