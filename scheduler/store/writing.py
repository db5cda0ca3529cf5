"""Each record of the controller as rows. Runs inside one transaction that the caller holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.sqlite import Insert, insert
from sqlalchemy.engine import Connection

from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import (
    Alert,
    Booking,
    ClearAlert,
    Intent,
    RaiseAlert,
    Record,
    RecordAnswer,
    RecordBooking,
    RecordCalibration,
    RecordChoice,
    RecordDay,
    RecordHandWater,
    RecordHold,
    RecordIntent,
    RecordLearning,
    RecordMeasured,
    RecordPlan,
    RecordRain,
    RecordReading,
    RecordStop,
    RecordWaterDay,
)
from scheduler.control.events import NodeHeard, RequestKind
from scheduler.planning.plan import Plan
from scheduler.store import tables as t
from scheduler.store.asking import read_mark
from scheduler.store.asking_people import Telling
from scheduler.store.codec import to_dict, to_json
from scheduler.store.questions import CHOICE_MARK

# Marks that name a request sent from a form; those of so many requests are kept.
ONCE_MARK = "once:"
ONCE_KEPT = 500


def _newest(table: sa.Table, key: tuple[str, ...], *columns: str) -> Insert:
    """Write a row, or these columns of the one with the same key."""
    statement = insert(table)
    new = {name: statement.excluded[name] for name in columns}
    return statement.on_conflict_do_update(index_elements=list(key), set_=new)


# Statements are made once: to put one together and to find its key costs more than to write its row.
_READING = sa.insert(t.readings)
_NODE = _newest(
    t.nodes,
    ("site", "node"),
    "heard_at",
    "session",
    "valves",
    "supply_mv",
    "refused_total",
    "reset_cause",
)
_MARK = _newest(t.marks, ("site", "name"), "value")
_OUTLOOK = _newest(t.outlooks, ("site",), "fetched_at", "outlook")
_INTENT = insert(t.intents).on_conflict_do_nothing(index_elements=["site", "order_id"])
_BOOKING = (
    insert(t.bookings).on_conflict_do_nothing(index_elements=["site", "order_id"]).returning(t.bookings.c.id)
)
_BOOKED_LITRES = sa.insert(t.booked_litres)
_PLAN = sa.insert(t.plans)
_DAY_AGAIN = sa.delete(t.days).where(
    t.days.c.site == sa.bindparam("site"), t.days.c.day == sa.bindparam("day")
)
_DAY = sa.insert(t.days)
_ROOT_ZONE = sa.insert(t.root_zones)
_WATER_DAY = _newest(
    t.water_days, ("site", "day"), *(f.name for f in fields(RecordWaterDay) if f.name != "day")
)
_HAND_WATER = insert(t.hand_water).on_conflict_do_nothing()
_KNOWN_REQUEST = sa.select(t.requests.c.id).where(t.requests.c.id == sa.bindparam("request_id"))
_ANSWER = _newest(t.answers, ("request_id",), "at", "done", "text")
_REQUEST = sa.insert(t.requests).returning(t.requests.c.id)
_ALERT = sa.insert(t.alerts)
_ALERT_OVER = (
    sa.update(t.alerts)
    .where(
        t.alerts.c.site == sa.bindparam("of_site"),
        t.alerts.c.kind == sa.bindparam("of_kind"),
        t.alerts.c.subject == sa.bindparam("of_subject"),
        t.alerts.c.cleared_at.is_(None),
    )
    .values(cleared_at=sa.bindparam("at"))
)
_TELLING = sa.insert(t.tellings)
# Records whose fields are the columns of their table, which only grows.
_APPENDED = {
    RecordHold: sa.insert(t.holds),
    RecordRain: sa.insert(t.typed_rain),
    RecordLearning: sa.insert(t.learning),
    RecordMeasured: sa.insert(t.measured),
    RecordCalibration: sa.insert(t.calibrations),
    RecordStop: sa.insert(t.stops),
}


def write_records(connection: Connection, site: str, records: Sequence[Record]) -> tuple[str, ...]:
    """Write all records in their order. Returns the order ids that were booked now for the first time."""
    newly_booked: list[str] = []
    readings: list[dict[str, Any]] = []
    for record in records:
        if isinstance(record, RecordReading):
            readings.append(_reading(site, record))
        elif isinstance(record, RecordBooking):
            if _booking(connection, site, record.booking):
                newly_booked.append(record.booking.order_id)
        else:
            _write(connection, site, record)
    if readings:  # nothing refers to a reading, so that its place among the others does not matter
        connection.execute(_READING, readings)
    return tuple(newly_booked)


def _write(connection: Connection, site: str, record: Record) -> None:
    match record:
        case RecordIntent(intent):
            _intent(connection, site, intent)
        case RecordPlan(plan):
            _plan(connection, site, plan)
        case RecordDay():
            _day(connection, site, record)
        case RecordWaterDay():
            connection.execute(_WATER_DAY, _with_site(record, site))
        case RecordHandWater():
            connection.execute(_HAND_WATER, _with_site(record, site))
        case RecordChoice():
            write_marks(connection, site, {CHOICE_MARK + record.subject: to_json(record)})
        case RecordAnswer():
            _answer(connection, record)
        case RaiseAlert(alert):
            _raise_alert(connection, site, alert)
        case ClearAlert():
            _clear_alert(connection, site, record)
        case _ if type(record) in _APPENDED:
            connection.execute(_APPENDED[type(record)], _with_site(record, site))
        case _:
            raise TypeError(f"not a record: {record!r}")


def _with_site(record: Record | Telling, site: str) -> dict[str, Any]:
    """A row of a record whose fields are its table's columns."""
    row = to_dict(record)
    row["site"] = site
    return row


def _reading(site: str, record: RecordReading) -> dict[str, Any]:
    reading, belief = record.reading, record.belief
    return {
        "site": site,
        "at": reading.at,
        "pings": list(reading.pings),
        "air_c": reading.air_c,
        "quality": belief.quality,
        "believed_at": belief.at,
        "level_m": belief.level_m,
        "low_m": belief.low_m,
        "high_m": belief.high_m,
        "why": list(belief.why),
    }


def _intent(connection: Connection, site: str, intent: Intent) -> None:
    row = {
        "site": site,
        "order_id": intent.order.order_id,
        "made_at": intent.made_at,
        "zone": intent.zone,
        "order": to_dict(intent.order),
        "level_m": intent.level_m,
        "planned_l": [list(pair) for pair in intent.planned_l],
        "volume_l": intent.volume_l,
        "asked_by": intent.asked_by,
    }
    connection.execute(_INTENT, row)


def _booking(connection: Connection, site: str, booking: Booking) -> bool:
    """False: this order is booked already, and nothing was added."""
    row = {
        "site": site,
        "order_id": booking.order_id,
        "zone": booking.zone,
        "day": booking.day,
        "at": booking.at,
        "open_s": booking.open_s,
        "outcome": None if booking.outcome is None else to_dict(booking.outcome),
        "volume_l": booking.volume_l,
        "volume_low_l": booking.volume_low_l,
        "volume_high_l": booking.volume_high_l,
        "note": booking.note,
    }
    booking_id = connection.execute(_BOOKING, row).scalar_one_or_none()
    if booking_id is None:
        return False
    litres = [
        {"booking_id": booking_id, "plant": plant, "given_l": given_l} for plant, given_l in booking.given_l
    ]
    if litres:
        connection.execute(_BOOKED_LITRES, litres)
    return True


def _plan(connection: Connection, site: str, plan: Plan) -> None:
    row = {"site": site, "day": plan.day, "made_at": plan.made_at, "plan": to_json(plan)}
    connection.execute(_PLAN, row)


def _day(connection: Connection, site: str, record: RecordDay) -> None:
    """A day balanced again replaces the earlier balance of that day."""
    key = {"site": site, "day": record.weather.day}
    connection.execute(_DAY_AGAIN, key)
    connection.execute(_DAY, key | {"weather": to_json(record.weather)})
    zones = [to_dict(zone) | key for zone in record.root_zones]
    if zones:
        connection.execute(_ROOT_ZONE, zones)


def _answer(connection: Connection, record: RecordAnswer) -> None:
    """The latest answer stands: a stop is answered at once, and again when the node confirms.

    An answer to a request this file never had (an old copy was restored) is left out: it must not keep
    everything else from being written.
    """
    row = to_dict(record)
    if connection.execute(_KNOWN_REQUEST, {"request_id": record.request_id}).scalar_one_or_none() is not None:
        connection.execute(_ANSWER, row)


def _raise_alert(connection: Connection, site: str, alert: Alert) -> None:
    row = {
        "site": site,
        "kind": alert.kind,
        "subject": alert.subject,
        "text": alert.text,
        "advice": alert.advice,
        "urgent": alert.urgent,
        "raised_at": alert.at,
    }
    connection.execute(_ALERT, row)


def _clear_alert(connection: Connection, site: str, record: ClearAlert) -> None:
    which = {"of_site": site, "of_kind": record.kind, "of_subject": record.subject, "at": record.at}
    connection.execute(_ALERT_OVER, which)


def write_request(
    connection: Connection,
    site: str,
    kind: RequestKind,
    who: str,
    subject: str | None,
    amount: float | None,
    at: datetime,
) -> int:
    row = {"site": site, "kind": kind, "who": who, "subject": subject, "amount": amount, "at": at}
    return int(connection.execute(_REQUEST, row).scalar_one())


def write_request_once(
    connection: Connection,
    site: str,
    once: str,
    kind: RequestKind,
    who: str,
    subject: str | None,
    amount: float | None,
    at: datetime,
) -> tuple[int, bool]:
    """The number of the request sent under the name ``once``, and whether it was written now: sent again, by
    the same form or over a broken connection, it is the request that is there already."""
    name = f"{ONCE_MARK}{once}"
    kept = read_mark(connection, site, name)
    if kept is not None:
        return int(kept), False
    number = write_request(connection, site, kind, who, subject, amount, at)
    write_marks(connection, site, {name: str(number)})
    old = sa.cast(t.marks.c.value, sa.Integer) <= number - ONCE_KEPT
    of_once = t.marks.c.name.startswith(ONCE_MARK, autoescape=True)
    connection.execute(sa.delete(t.marks).where(t.marks.c.site == site, of_once, old))
    return number, True


def write_outlook(connection: Connection, site: str, outlook: Outlook) -> None:
    row = {"site": site, "fetched_at": outlook.fetched_at, "outlook": to_json(outlook)}
    connection.execute(_OUTLOOK, row)


def write_node(connection: Connection, site: str, heard: NodeHeard, at: datetime) -> None:
    row = {
        "site": site,
        "node": heard.node,
        "heard_at": at,
        "session": heard.session,
        "valves": [[valve.channel, valve.position] for valve in heard.valves],
        "supply_mv": heard.supply_mv,
        "refused_total": heard.refused_total,
        "reset_cause": heard.reset_cause,
    }
    connection.execute(_NODE, row)


def write_telling(connection: Connection, site: str, telling: Telling) -> None:
    connection.execute(_TELLING, _with_site(telling, site))


def write_marks(connection: Connection, site: str, marks: Mapping[str, str]) -> None:
    """Name -> value; a name that is there gets the new value."""
    if marks:
        connection.execute(_MARK, [{"site": site, "name": n, "value": v} for n, v in marks.items()])
