"""What the tests of a garden found, by the answer of ``sheet``: are the cans good, what is to be turned, what
is due."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from scheduler.report.answers import SheetAnswer, SheetTestAnswer, SheetZoneAnswer
from scheduler.report.plan import Columns
from scheduler.report.sheet import sheet_answer
from scheduler.report.sheet_page import due_groups, small_volume
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import show_flow, show_length, show_share
from scheduler.survey.sentences import volume_word
from scheduler.web.facts import Facts
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.tables import Table, table, unit_above

router = APIRouter()
CANS: Columns = [
    ("emitter", "left"),
    ("caught", "right"),
    ("flow", "right"),
    ("of its due", "right"),
    ("found", "left"),
]
EVENNESS: Columns = [
    ("by", "left"),
    ("low-quarter uniformity", "right"),
    ("between", "right"),
    ("class", "left"),
]
CURVE: Columns = [("level", "left"), ("flow", "right"), ("between", "right"), ("tested there", "left")]


@router.get("/weeks/tested", dependencies=[needs(Right.LOOK)])
def tested(request: Request) -> Response:
    """Zone by zone: what was found, the cans, what to turn; then what is due."""
    parts = parts_of(request)
    facts = parts.garden.look()
    site = parts.garden.site
    if facts.status is None:
        said = "No test is in the books of this garden."
        return show(request, "said.html", here="weeks", heading="Nothing was tested yet", said=said)
    with parts.garden.store() as store:
        kept = store.test_records()
    key = ("tested", facts.today, len(kept))
    answer = parts.kept.get(key, lambda: sheet_answer(site, kept, facts.now))
    return show(
        request,
        "tested.html",
        here="weeks",
        when=_when(facts, answer),
        barrels=[_test(facts, t) for t in answer.tests],
        zones=[_zone(facts, site, z) for z in answer.zones],
        due=due_groups(site, answer),
        doubts=answer.doubts,
    )


def _when(facts: Facts, answer: SheetAnswer) -> str:
    if answer.tested_to is None:
        return "Nothing was tested yet: the flows below are those of the garden as it is drawn."
    text = f"Last tested {_day(facts, answer.tested_to)} by {', '.join(answer.people)}."
    before = f" The time before: {_day(facts, answer.last_time)}." if answer.last_time is not None else ""
    return f"{text}{before} Spans hold 95 times out of 100."


def _day(facts: Facts, at: datetime) -> str:
    return day_words(at.astimezone(facts.site.place.timezone).date(), facts.today)


def _test(facts: Facts, test: SheetTestAnswer) -> str:
    again = " Do it again." if test.stale else ""
    name = test.step.replace("-", " ")
    return f"{name[:1].upper()}{name[1:]}, {_day(facts, test.at)} by {test.who}: {test.verdict}{again}"


def _zone(facts: Facts, site: Site, zone: SheetZoneAnswer) -> dict[str, Any]:
    return {
        "id": zone.id,
        "name": zone.name,
        "tests": [_test(facts, t) for t in zone.tests],
        "turns": zone.turns,
        "cans": _cans(site, zone),
        "evenness": _evenness(site, zone),
        "curve": _curve(site, zone),
        "level": show_length(zone.cans_level_m, site.units) if zone.cans_level_m is not None else "",
    }


def _cans(site: Site, zone: SheetZoneAnswer) -> Table | None:
    """Those in trouble first."""
    rows = [
        [
            c.emitter,
            small_volume(c.volume_l, site.units) if c.volume_l is not None else "no can",
            show_flow(c.flow_lph, site.units) if c.flow_lph is not None else "not known",
            show_share(c.share) if c.share is not None else "not known",
            c.finding,
        ]
        for c in sorted(zone.cans, key=lambda c: c.finding == "right")
    ]
    return table(CANS, rows)


def _evenness(site: Site, zone: SheetZoneAnswer) -> Table | None:
    word = volume_word(site.units)
    rows = [
        [
            e.of.replace("litre", word),
            show_share(e.du),
            f"{show_share(e.du_low)} and {show_share(e.du_high)}",
            e.grade,
        ]
        for e in zone.evenness
    ]
    return table(EVENNESS, rows)


def _curve(site: Site, zone: SheetZoneAnswer) -> Table | None:
    rows = [
        [
            show_length(c.level_m, site.units),
            show_flow(c.flow_lph, site.units),
            _between(show_flow(c.low_lph, site.units), show_flow(c.high_lph, site.units)),
            "yes" if c.tested else "no",
        ]
        for c in zone.curve
    ]
    return table(*unit_above(CURVE, rows))


def _between(low: str, high: str) -> str:
    """The unit once, where both have the same."""
    unit = f" {high.rpartition(' ')[2]}"
    return f"{low.removesuffix(unit)} and {high}"
