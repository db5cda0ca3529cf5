"""The fitter's round as a page: the same answer that ``fallinghead round`` prints."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from scheduler.report.answers import RoundAnswer
from scheduler.report.round import round_answer
from scheduler.report.round_gardens import RoundGarden, round_gardens
from scheduler.report.round_words import WHAT_HARM_IS, RoundRow, round_head, round_rows
from scheduler.web.parts import Parts
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of

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
    by_file = {g.file: g for g in gardens}
    told = zip(round_rows(answer, gardens), answer.gardens, strict=True)
    rows = [_without_folders(row, by_file[g.file]) for row, g in told]
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


def _without_folders(row: RoundRow, garden: RoundGarden) -> RoundRow:
    """Files by the names that a fitter knows them by; where they lie is nothing for a phone."""
    file = Path(garden.file)
    names = {garden.file: f"{file.parent.name}/{file.name}" if file.parent.name else file.name}
    if garden.store is not None:
        names[str(garden.store)] = garden.store.name
    troubles = row.troubles
    for path, name in names.items():
        troubles = tuple(t.replace(path, name) for t in troubles)
    return replace(row, troubles=troubles)


def _clock(parts: Parts, gardens: Sequence[RoundGarden], at: datetime) -> str:
    """By the calendar of the page's garden, or of the first that can be read."""
    site = parts.one.site if parts.one is not None else next((g.site for g in gardens if g.site), None)
    zone = site.place.timezone if site is not None else UTC
    return f"{at.astimezone(zone):%A %d %B %Y, %H:%M %Z}"


@office.get("/", dependencies=[needs(Right.LOOK)])
def first_page() -> Response:
    """An office opens on its round."""
    return RedirectResponse("/round", 303)
