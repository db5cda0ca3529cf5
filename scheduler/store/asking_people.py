"""What the store can be asked of people: what they asked, chose and told, and what they were told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from scheduler.control.effects import (
    Alert,
    RecordAnswer,
    RecordChoice,
    RecordHandWater,
    RecordHold,
    RecordStop,
)
from scheduler.control.events import Request
from scheduler.store import questions
from scheduler.store import tables as t
from scheduler.store.asking import without_site
from scheduler.store.codec import from_dict, from_json


@dataclass(frozen=True, slots=True)
class RaisedAlert:
    alert: Alert
    cleared_at: datetime | None


@dataclass(frozen=True, slots=True)
class Telling:
    """What became of telling one person of one alert, named by its kind, subject and time."""

    kind: str
    subject: str
    raised_at: datetime
    person: str
    status: str
    at: datetime


@dataclass(frozen=True, slots=True)
class AskedRequest:
    request: Request
    answer: RecordAnswer | None


def open_alerts(connection: Connection, site: str) -> tuple[Alert, ...]:
    """Alerts not cleared; of one raised again only the last raising, oldest first."""
    rows = connection.execute(questions.OPEN_ALERTS, {"site": site})
    return tuple(_alert(row) for row in rows)


def alerts_since(connection: Connection, site: str, since: datetime) -> tuple[RaisedAlert, ...]:
    rows = connection.execute(
        sa.select(t.alerts)
        .where(t.alerts.c.site == site, t.alerts.c.raised_at >= since)
        .order_by(t.alerts.c.id)
    )
    return tuple(RaisedAlert(_alert(row), row.cleared_at) for row in rows)


def last_raised(connection: Connection, site: str) -> tuple[RaisedAlert, ...]:
    """The newest of each kind and subject, cleared or not: nobody is told twice after a restart."""
    rows = connection.execute(questions.LAST_ALERTS, {"site": site})
    return tuple(RaisedAlert(_alert(row), row.cleared_at) for row in rows)


def hand_water_since(connection: Connection, site: str, first: date) -> tuple[RecordHandWater, ...]:
    """Water moved by hand, in the order in which it was told."""
    rows = connection.execute(questions.HAND_WATER, {"site": site, "first": first})
    return tuple(from_dict(RecordHandWater, without_site(row)) for row in rows)


def holds_now(connection: Connection, site: str) -> tuple[RecordHold, ...]:
    """The newest hold of each zone, whether over or not."""
    rows = connection.execute(questions.HOLDS, {"site": site})
    return tuple(RecordHold(row.zone, row.until, row.who, row.at) for row in rows)


def typed_rain_since(connection: Connection, site: str, first: date) -> tuple[tuple[date, float], ...]:
    """(local day, mm) as typed, the newest word on a day last."""
    rows = connection.execute(questions.TYPED_RAIN, {"site": site, "first": first})
    return tuple((day, rain_mm) for day, rain_mm in rows)


def _alert(row: Row[Any]) -> Alert:
    return Alert(row.kind, row.subject, row.text, row.advice, row.urgent, row.raised_at)


def tellings_since(connection: Connection, site: str, since: datetime) -> tuple[Telling, ...]:
    rows = connection.execute(
        sa.select(t.tellings)
        .where(t.tellings.c.site == site, t.tellings.c.raised_at >= since)
        .order_by(t.tellings.c.id)
    )
    return tuple(
        Telling(row.kind, row.subject, row.raised_at, row.person, row.status, row.at) for row in rows
    )


def unanswered_requests(connection: Connection, site: str) -> tuple[Request, ...]:
    """By the order in which they were asked."""
    rows = connection.execute(questions.UNANSWERED, {"site": site})
    return tuple(_request(row) for row in rows)


def answer_to(connection: Connection, request_id: int) -> RecordAnswer | None:
    row = connection.execute(sa.select(t.answers).where(t.answers.c.request_id == request_id)).one_or_none()
    return None if row is None else RecordAnswer(row.request_id, row.at, row.done, row.text)


def requests_since(connection: Connection, site: str, since: datetime) -> tuple[AskedRequest, ...]:
    rows = connection.execute(
        sa.select(t.requests, t.answers.c.at.label("answered_at"), t.answers.c.done, t.answers.c.text)
        .outerjoin(t.answers)
        .where(t.requests.c.site == site, t.requests.c.at >= since)
        .order_by(t.requests.c.id)
    )
    return tuple(
        AskedRequest(
            _request(row),
            None if row.answered_at is None else RecordAnswer(row.id, row.answered_at, row.done, row.text),
        )
        for row in rows
    )


def _request(row: Row[Any]) -> Request:
    return Request(row.id, row.at, row.who, row.kind, row.subject, row.amount)


def stop_state(connection: Connection, site: str) -> RecordStop | None:
    """The last stop or its end; None: nobody ever stopped this garden."""
    row = connection.execute(questions.LAST_STOP, {"site": site}).one_or_none()
    return None if row is None else RecordStop(row.stopped, row.who, row.at)


def choices_now(connection: Connection, site: str) -> tuple[RecordChoice, ...]:
    """The newest choice of each subject, by subject; never pruned, for it holds until it is taken back."""
    texts = connection.execute(questions.CHOICES, {"site": site}).scalars()
    return tuple(from_json(RecordChoice, text) for text in texts)
