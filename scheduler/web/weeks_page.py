"""The weeks to come and those that are over: the answers of ``ahead``, ``winter``, ``report``, ``litres``,
``balance``, ``drift`` and ``hindsight``, each under the question that somebody asks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from scheduler.control.household import away_of
from scheduler.report.ahead import ahead_words, answer_of_ahead
from scheduler.report.answers import LitresAnswer, ReportAnswer
from scheduler.report.drift import drift_answer, drift_findings
from scheduler.report.frost import frost_ahead, frost_words
from scheduler.report.garden_report import report_answer, report_words
from scheduler.report.hindsight import hindsight_answer, hindsight_rows, hindsight_words
from scheduler.report.leak import leaked_words
from scheduler.report.litres import litres_answer, litres_rows, litres_words
from scheduler.report.water_days import balance_answer, balance_words
from scheduler.report.year import winter_answer, winter_words
from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits, Site
from scheduler.store.store import Store
from scheduler.web.facts import Facts, Garden, gone_by
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.season_page import UNIT_WORDS
from scheduler.web.tables import Table, table

router = APIRouter()
# So many days back, as a household speaks of them; the first is what is shown unasked.
SPANS = (30, 7, 120)
# As far back as a store keeps.
STORED_DAYS = 800
# A question of its own, not a part of the first page: whoever asks may wait longer than there.
PATIENCE_S = 8.0
NOT_YET = "No whole day is in the books yet: the first stands tomorrow."


@router.get("/weeks", dependencies=[needs(Right.LOOK)])
def weeks(
    request: Request,
    until: Annotated[str, Query(max_length=10)] = "",
    days: Annotated[str, Query(max_length=4)] = "",
) -> Response:
    """How long it lasts and what to top up, rain and frost to come; who stood short, leaks, filters."""
    parts = parts_of(request)
    garden, facts = parts.garden, parts.garden.look()
    if facts.status is None:
        return show(
            request, "said.html", here="weeks", heading="Nothing is known of this garden yet", said=NOT_YET
        )
    back = next((n for n in SPANS if str(n) == days), SPANS[0])
    with garden.store() as store:
        over = parts.kept.get(
            ("weeks", back, gone_by(facts, store)), lambda: _gone_by(facts, store, back, garden.site)
        )
        values = _to_come(garden, facts, store, until) | over
    report = over["report"]
    leak = leaked_words(facts.site, facts.status, report, facts.today) if report is not None else ""
    other: DisplayUnits = "metric" if garden.site.units == "us" else "us"
    return show(
        request,
        "weeks.html",
        here="weeks",
        back=back,
        spans=SPANS,
        today=facts.today,
        other_units=other,
        other_words=UNIT_WORDS[other],
        leak=leak,
        **values,
    )


def _to_come(garden: Garden, facts: Facts, store: Store, until: str) -> dict[str, Any]:
    drained = winter_answer(facts.site, store)
    frost = frost_ahead(facts.site, store.last_outlook(), facts.now)
    winter = (
        winter_words(facts.site, drained, facts.today)
        if drained is not None
        else frost_words(facts.site, frost, facts.today)
    )
    away = away_of(store.choices_now(), facts.today)
    wanted, wrong = _day_asked(until, facts.today)
    lasts: Sequence[str] = ()
    ahead = garden.weeks_ahead(facts, store, PATIENCE_S) if facts.level_m is not None else None
    if ahead is not None:
        try:
            answer = answer_of_ahead(facts.site, store, ahead, facts.now, wanted)
            lasts = ahead_words(facts.site, answer)
            wanted = answer.until
        except UsageError:
            last = facts.today + timedelta(days=ahead.ways.horizon_days - 1)
            wrong = f"So far nobody sees: choose a day up to {last:%d %B %Y}."
    return {
        "lasts": [_without_garden(facts, line) for line in lasts],
        "level_known": facts.level_m is not None,
        "until": wanted or facts.today + timedelta(days=13),
        "wrong": wrong,
        "drained": drained is not None,
        "winter": winter,
        "away": away is not None,
    }


def _day_asked(text: str, today: date) -> tuple[date | None, str]:
    """The day, if one was named and it is one to come; else what was wrong with it."""
    if not text:
        return None, ""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None, f"Read {text!r}; choose a day."
    return (day, "") if day >= today else (None, "That day is over; choose one to come.")


def _without_garden(facts: Facts, line: str) -> str:
    return line.removeprefix(f"{facts.site.name}: ")


def _gone_by(facts: Facts, store: Store, back: int, drawn: Site) -> dict[str, Any]:
    """``drawn``: the garden as its file has it, which its tests are held against."""
    site = facts.site
    first = facts.today - timedelta(days=back)
    litres = litres_answer(site, store, first)
    model = facts.made.model
    drift = drift_answer(drawn, store, facts.now, model)
    report: ReportAnswer | None
    try:
        yesterday = facts.today - timedelta(days=1)
        report = report_answer(site, store, first, yesterday, facts.now, drawn=drawn, model=model)
    except UsageError:
        report = None
    return {
        "short": litres_words(litres),
        **_plant_tables(site, litres),
        "sums": report_words(site, report)[1:3] if report is not None else [NOT_YET],
        "report": report,
        "balance": balance_words(site, balance_answer(site, store, first)),
        "flow": [z.text for z in drift.zones],
        "flow_to_do": drift_findings(site, drift),
        "worth": [(c.change, c.evidence) for c in report.worth_changing] if report is not None else [],
    }


def _plant_tables(site: Site, litres: LitresAnswer) -> dict[str, Table | None]:
    """The command's table in two, each no wider than a phone: those that stood short, and litres of all."""
    columns, rows = litres_rows(site, litres)
    rows = rows if litres.first is not None else []
    ends = next(n for n, (name, _) in enumerate(columns) if name == "used, rain apart")
    stood = len([p for p in litres.plants if p.days_short])
    return {
        "stood_short": table(columns[:ends], [row[:ends] for row in rows[:stood]]),  # they come first
        "plants": table([columns[0], *columns[ends:]], [[row[0], *row[ends:]] for row in rows]),
    }


@router.get("/weeks/what-if", dependencies=[needs(Right.LOOK)])
def what_if(request: Request) -> Response:
    """What more barrels, roof or height would have changed in the summers that the store remembers."""
    parts = parts_of(request)
    facts = parts.garden.look()
    found, words, wrong = None, [], ""
    if facts.status is not None:
        with parts.garden.store() as store:
            past = store.weather_since(facts.today - timedelta(days=STORED_DAYS))
            key = ("what if", len(past), gone_by(facts, store))
        try:
            answer = parts.kept.get(key, lambda: hindsight_answer(facts.site, past))
            found = table(*hindsight_rows(facts.site, answer))
            words = hindsight_words(facts.site, answer)
        except UsageError:
            wrong = (
                "It takes 30 days in a row of a summer, May to September, in the books of this garden (south "
                "of the equator November to March). With a file of past years it can be asked on the Pi: "
                "fallinghead hindsight --past FILE."
            )
    return show(request, "what_if.html", here="weeks", found=found, words=words, wrong=wrong)
