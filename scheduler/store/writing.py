"""Each record of the controller as rows. Runs inside one transaction that the caller holds."""

from __future__ import annotations

from collections.abc import Sequence
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
from scheduler.store.asking_people import CHOICE_MARK, Telling
from scheduler.store.codec import to_dict, to_json

# Marks that name a request sent from a form; those of so many requests are kept.
ONCE_MARK = "once:"
ONCE_KEPT = 500


def _newest(table: sa.Table, key: tuple[str, ...], *columns: str) -> Insert:
    """Write a row, or these columns of the one with the same key."""
    statement = insert(table)
    new = {name: statement.excluded[name] for name in columns}
    return statement.on_conflict_do_update(index_elements=list(key), set_=new)


# What is written every few minutes: making a statement costs more than writing its rows.
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
            _water_day(connection, site, record)
        case RecordHandWater():
            values = to_dict(record) | {"site": site}
            connection.execute(insert(t.hand_water).values(**values).on_conflict_do_nothing())
        case RecordHold():
            _append(connection, t.holds, site, record)
        case RecordChoice():
            write_mark(connection, site, CHOICE_MARK + record.subject, to_json(record))
        case RecordRain():
            _append(connection, t.typed_rain, site, record)
        case RecordLearning():
            _append(connection, t.learning, site, record)
        case RecordMeasured():
            _append(connection, t.measured, site, record)
        case RecordCalibration():
            _append(connection, t.calibrations, site, record)
        case RecordAnswer():
            _answer(connection, record)
        case RecordStop():
            _append(connection, t.stops, site, record)
        case RaiseAlert(alert):
            _raise_alert(connection, site, alert)
        case ClearAlert():
            _clear_alert(connection, site, record)
        case _:
            raise TypeError(f"not a record: {record!r}")


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
    statement = insert(t.intents).values(
        site=site,
        order_id=intent.order.order_id,
        made_at=intent.made_at,
        zone=intent.zone,
        order=to_dict(intent.order),
        level_m=intent.level_m,
        planned_l=[list(pair) for pair in intent.planned_l],
        volume_l=intent.volume_l,
        asked_by=intent.asked_by,
    )
    connection.execute(statement.on_conflict_do_nothing(index_elements=["site", "order_id"]))


def _booking(connection: Connection, site: str, booking: Booking) -> bool:
    """False: this order is booked already, and nothing was added."""
    statement = (
        insert(t.bookings)
        .values(
            site=site,
            order_id=booking.order_id,
            zone=booking.zone,
            day=booking.day,
            at=booking.at,
            open_s=booking.open_s,
            outcome=None if booking.outcome is None else to_dict(booking.outcome),
            volume_l=booking.volume_l,
            volume_low_l=booking.volume_low_l,
            volume_high_l=booking.volume_high_l,
            note=booking.note,
        )
        .on_conflict_do_nothing(index_elements=["site", "order_id"])
        .returning(t.bookings.c.id)
    )
    booking_id = connection.execute(statement).scalar_one_or_none()
    if booking_id is None:
        return False
    litres = [
        {"booking_id": booking_id, "plant": plant, "given_l": given_l} for plant, given_l in booking.given_l
    ]
    if litres:
        connection.execute(sa.insert(t.booked_litres), litres)
    return True


def _plan(connection: Connection, site: str, plan: Plan) -> None:
    connection.execute(
        sa.insert(t.plans).values(site=site, day=plan.day, made_at=plan.made_at, plan=to_json(plan))
    )


def _day(connection: Connection, site: str, record: RecordDay) -> None:
    """A day balanced again replaces the earlier balance of that day."""
    day = record.weather.day
    connection.execute(sa.delete(t.days).where(t.days.c.site == site, t.days.c.day == day))
    connection.execute(sa.insert(t.days).values(site=site, day=day, weather=to_json(record.weather)))
    zones = [{"site": site} | to_dict(zone) | {"day": day} for zone in record.root_zones]
    if zones:
        connection.execute(sa.insert(t.root_zones), zones)


def _water_day(connection: Connection, site: str, record: RecordWaterDay) -> None:
    """A day worked out again replaces itself."""
    values = to_dict(record)
    statement = insert(t.water_days).values(site=site, **values)
    statement = statement.on_conflict_do_update(index_elements=["site", "day"], set_=values)
    connection.execute(statement)


def _append(
    connection: Connection,
    table: sa.Table,
    site: str,
    record: RecordLearning | RecordMeasured | RecordCalibration | RecordStop | RecordHold | RecordRain,
) -> None:
    """Records whose fields are the columns of their table."""
    connection.execute(sa.insert(table).values(site=site, **to_dict(record)))


def _answer(connection: Connection, record: RecordAnswer) -> None:
    """The latest answer stands: a stop is answered at once, and again when the node confirms.

    An answer to a request this file never had (an old copy was restored) is left out: it must not keep
    everything else from being written.
    """
    known = sa.select(t.requests.c.id).where(t.requests.c.id == record.request_id)
    if connection.execute(known).scalar_one_or_none() is None:
        return
    said = {"at": record.at, "done": record.done, "text": record.text}
    statement = insert(t.answers).values(request_id=record.request_id, **said)
    connection.execute(statement.on_conflict_do_update(index_elements=["request_id"], set_=said))


def _raise_alert(connection: Connection, site: str, alert: Alert) -> None:
    connection.execute(
        sa.insert(t.alerts).values(
            site=site,
            kind=alert.kind,
            subject=alert.subject,
            text=alert.text,
            advice=alert.advice,
            urgent=alert.urgent,
            raised_at=alert.at,
        )
    )


def _clear_alert(connection: Connection, site: str, record: ClearAlert) -> None:
    connection.execute(
        sa.update(t.alerts)
        .where(
            t.alerts.c.site == site,
            t.alerts.c.kind == record.kind,
            t.alerts.c.subject == record.subject,
            t.alerts.c.cleared_at.is_(None),
        )
        .values(cleared_at=record.at)
    )


def write_request(
    connection: Connection,
    site: str,
    kind: RequestKind,
    who: str,
    subject: str | None,
    amount: float | None,
    at: datetime,
) -> int:
    statement = (
        sa.insert(t.requests)
        .values(site=site, kind=kind, who=who, subject=subject, amount=amount, at=at)
        .returning(t.requests.c.id)
    )
    return int(connection.execute(statement).scalar_one())


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
    write_mark(connection, site, name, str(number))
    old = sa.cast(t.marks.c.value, sa.Integer) <= number - ONCE_KEPT
    of_once = t.marks.c.name.startswith(ONCE_MARK, autoescape=True)
    connection.execute(sa.delete(t.marks).where(t.marks.c.site == site, of_once, old))
    return number, True


def write_outlook(connection: Connection, site: str, outlook: Outlook) -> None:
    row = {"fetched_at": outlook.fetched_at, "outlook": to_json(outlook)}
    statement = insert(t.outlooks).values(site=site, **row)
    connection.execute(statement.on_conflict_do_update(index_elements=["site"], set_=row))


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
    connection.execute(sa.insert(t.tellings).values(site=site, **to_dict(telling)))


def write_mark(connection: Connection, site: str, name: str, value: str) -> None:
    connection.execute(_MARK, {"site": site, "name": name, "value": value})
