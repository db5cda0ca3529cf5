"""The sheet of a season or of some weeks, by the answer of ``report``: to read, in litres or gallons, and to
print or keep."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from scheduler.report.answers import ReportAnswer
from scheduler.report.garden_report import report_answer, report_words
from scheduler.report.plan import Columns
from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store
from scheduler.web.facts import gone_by
from scheduler.web.parts import Parts
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.tables import Table, table

router = APIRouter()
# Days back from yesterday; the first is what is shown unasked.
SEASON_DAYS = (120, 30, 7)
UNIT_WORDS: Mapping[DisplayUnits, str] = {"metric": "litres", "us": "gallons"}
PLANTS: Columns = [
    ("plant", "left"),
    ("used", "right"),
    ("rain brought", "right"),
    ("given", "right"),
    ("days short", "right"),
]
Word = Annotated[str, Query(max_length=10)]


@router.get("/weeks/season", dependencies=[needs(Right.LOOK)])
def season(request: Request, days: Word = "", units: Word = "") -> Response:
    """The sums, each plant, and what is worth changing."""
    parts = parts_of(request)
    back, site = _back(days), _in_units(parts.garden.site, units)
    answer, _ = _answer(parts, back, site)
    return show(
        request,
        "season.html",
        here="weeks",
        back=back,
        spans=sorted(SEASON_DAYS),
        units=site.units,
        unit_words=UNIT_WORDS,
        head=report_words(site, answer)[0].removeprefix(f"{site.name}, ") if answer is not None else "",
        words=report_words(site, answer)[1:] if answer is not None else [],
        plants=_plants(site, answer) if answer is not None else None,
        credits=answer.credits if answer is not None else [],
    )


@router.get("/weeks/season/sheet", dependencies=[needs(Right.LOOK)])
def sheet(request: Request, days: Word = "", units: Word = "") -> Response:
    """The same with its drawing, as one file that asks nothing of any network."""
    from scheduler.report.garden_report_page import report_page  # draws: loaded by whoever asks for it

    parts = parts_of(request)
    site = _in_units(parts.garden.site, units)
    answer, rests_on = _answer(parts, _back(days), site)
    if answer is None:
        raise UsageError("No whole day is in the books yet: the first stands tomorrow.")
    page = parts.kept.get(("sheet", rests_on), lambda: report_page(site, answer))
    name = f'attachment; filename="season-{answer.first}-{answer.last}.html"'
    return Response(page, media_type="text/html; charset=utf-8", headers={"content-disposition": name})


def _back(days: str) -> int:
    return next((n for n in SEASON_DAYS if str(n) == days), SEASON_DAYS[0])


def _in_units(site: Site, units: str) -> Site:
    """As asked, else as the site file has it."""
    asked = next((u for u in UNIT_WORDS if u == units), site.units)
    return replace(site, units=asked)


def _answer(parts: Parts, back: int, site: Site) -> tuple[ReportAnswer | None, Hashable]:
    """In the units of ``site``, and what it rests on: it is kept while that stays as it is. None: no whole
    day is in the books."""
    facts = parts.garden.look()
    if facts.status is None:
        return None, None
    first, last = facts.today - timedelta(days=back), facts.today - timedelta(days=1)
    built = replace(facts.site, units=site.units)

    def worked_out(store: Store) -> ReportAnswer | None:
        try:
            return report_answer(built, store, first, last, facts.now, drawn=site)
        except UsageError:
            return None

    with parts.garden.store() as store:
        rests_on = (back, site.units, gone_by(facts, store))
        return parts.kept.get(("season", rests_on), lambda: worked_out(store)), rests_on


def _plants(site: Site, answer: ReportAnswer) -> Table | None:
    def volume(litres: float | None) -> str:
        return show_volume(litres, site.units) if litres is not None else "not known"

    rows = [
        [
            p.name,
            volume(p.used_l),
            volume(p.rain_l),
            volume(p.given_l),
            str(p.days_short) if p.days_short is not None else "not known",
        ]
        for p in answer.plants
    ]
    return table(PLANTS, rows)
