"""What a change to the pipes would do, before anything is bought or turned: the answers of
``survey --what-if`` and ``survey --advice``, asked by forms."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from scheduler.report.side_by_side import compare_answer, compare_lines, compare_rows
from scheduler.report.survey import advice_lines, survey_answer
from scheduler.site.errors import FallingheadError, UsageError
from scheduler.site.model import Site
from scheduler.site.quantities import parse
from scheduler.site.showing import show_flow, show_length
from scheduler.supply.stage import stage_storage
from scheduler.survey.changes import changed
from scheduler.web.asks import UNITS
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.tables import table, unit_above

router = APIRouter()
Word = Annotated[str, Query(max_length=60)]
# A plant that is still to come, by no name that a site file could have.
NEW_PLANT, NEW_NAME = "one-more", "The new plant"
# How far along a line is said in, by the garden's units.
ALONG: Mapping[str, str] = {"metric": "m", "us": "ft"}
# More is a slip of the unit: a stand higher than this is a building, a line longer no garden's (ours).
RISE_MOST_M, ALONG_MOST_M = 5.0, 300.0


@dataclass(frozen=True, slots=True)
class Tried:
    """A change as its forms send it."""

    what: str
    amount: str
    subject: str
    other: str
    place: str


@router.get("/weeks/change", dependencies=[needs(Right.LOOK)])
def change(
    request: Request,
    what: Word = "",
    amount: Word = "",
    subject: Word = "",
    other: Word = "",
    place: Word = "",
) -> Response:
    """The forms; below them, or above where one was sent, what it would do."""
    parts = parts_of(request)
    made = parts.garden.look().made
    site, tried = made.site, Tried(what, amount, subject, other, place)
    values: dict[str, Any] = {"heading": "", "wrong": "", "lines": [], "found": []}
    if what:
        try:
            # The garden is kept beside the answer, so that no other can come to have its id meanwhile.
            key = ("change", tried, id(made))
            values |= parts.kept.get(key, lambda: (made, _compared(site, tried)))[1]
        except FallingheadError as error:
            values["wrong"] = str(error)
    half_m = 0.5 * stage_storage(site.tank).brim_level_m
    advice = parts.kept.get(
        ("advice", id(made)),
        lambda: (made, advice_lines(site, survey_answer(site, half_m, advice=True, model=made.model))),
    )[1]
    return show(
        request,
        "change.html",
        here="weeks",
        site=site,
        tried=tried,
        level_unit=UNITS[site.units]["level"],
        along_unit=ALONG[site.units],
        emitters=[e for z in site.zones for e in _turnable(site, z.id)],
        lines_of=[line for z in site.zones for line in z.lines],
        advice=advice,
        **values,
    )


def _turnable(site: Site, zone: str) -> list[tuple[str, str]]:
    """Bubblers of a zone by their plant: the outlets of a tube cannot be turned."""
    names = {p.id: p.name for p in site.plants}
    return [
        (e.id, f"{e.id} ({names.get(e.plant or '', 'no plant')})")
        for e in site.zone(zone).emitters
        if e.form == "bubbler"
    ]


def _compared(site: Site, tried: Tried) -> dict[str, Any]:
    """The garden beside itself with the change made. UsageError: it cannot be read or made."""
    maker = _MAKERS.get(tried.what)
    if maker is None:
        raise UsageError(f"There is no change {tried.what!r}; there are {', '.join(_MAKERS)}.")
    heading, after, changes = maker(site, tried)
    answer = compare_answer(site, after, changes)
    return {
        "heading": heading,
        "lines": compare_lines(site, after, answer),
        "found": [
            (_told(title), table(*unit_above(head, [[_told(cell) for cell in row] for row in rows])))
            for title, head, rows in compare_rows(after, answer)
        ],
    }


def _told(text: str) -> str:
    """A terminal's arrow in words."""
    return text.replace("->", "to")


Maker = Callable[[Site, Tried], tuple[str, Site, list[str]]]


def _raise(site: Site, tried: Tried) -> tuple[str, Site, list[str]]:
    amount = _with_unit(tried.amount, UNITS[site.units]["level"])
    if not 0.0 < parse(amount, "length") <= RISE_MOST_M:
        raise UsageError(
            f"Read {amount!r}; barrels are raised by more than nothing and up to "
            f"{show_length(RISE_MOST_M, site.units)}."
        )
    sentence = f"raise barrels {amount}"
    return f"With the barrels {amount} higher", changed(site, [sentence]), [sentence]


def _turn(site: Site, tried: Tried) -> tuple[str, Site, list[str]]:
    """One bubbler or two, turned down so that they give less by a share."""
    names = [name for name in dict.fromkeys((tried.subject, tried.other)) if name]
    if not names:
        raise UsageError("Say which bubbler is turned.")
    share = _with_unit(tried.amount, "%")
    if not 0.0 < parse(share, "share") <= 1.0:
        raise UsageError(f"Read {share!r}; a bubbler is turned down by more than 0 % and up to 100 %.")
    sentence = f"close {', '.join(names)} {share}"
    heading = f"With {' and '.join(names)} turned down by {share}"
    return heading, changed(site, [sentence]), [sentence]


def _plant(site: Site, tried: Tried) -> tuple[str, Site, list[str]]:
    """One plant more, like one that is there, fed by one bubbler with the sum of that one's coefficients."""
    like = next((p for p in site.plants if p.id == tried.subject), None)
    if like is None:
        raise UsageError(f"There is no plant {tried.subject!r}; choose one that the new one is like.")
    flow_lph = sum(e.coefficient_lph for z in site.zones for e in z.emitters if e.plant == like.id)
    at = _with_unit(tried.place, ALONG[site.units])
    if not 0.0 <= parse(at, "length") <= ALONG_MOST_M:
        most = show_length(ALONG_MOST_M, site.units)
        raise UsageError(f"Read {at!r}; a place lies within {most} of the line's beginning.")
    new = replace(like, id=NEW_PLANT, name=NEW_NAME)
    sentence = f"add {flow_lph:.2f} L/h bubbler for {NEW_PLANT} on {tried.other} at {at}"
    after = changed(replace(site, plants=(*site.plants, new)), [sentence])
    bubbler = f"{show_flow(flow_lph, site.units)} at {show_length(1.0, site.units)} of head"
    heading = f"With one more plant like {like.name} at {at} of line {tried.other}, on a bubbler of {bubbler}"
    return heading, after, [sentence]


_MAKERS: Mapping[str, Maker] = {"raise": _raise, "turn": _turn, "plant": _plant}


def _with_unit(text: str, unit: str) -> str:
    """A bare number is in the unit that stands beside the field."""
    plain = text.strip().replace(",", ".")
    return f"{plain} {unit}" if re.fullmatch(r"[+-]?[0-9]*\.?[0-9]+", plain) else text.strip()
