"""What the store can be asked of the garden: readings, plans, orders, water, weather, what was learnt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import (
    Booking,
    Intent,
    RecordCalibration,
    RecordLearning,
    RecordReading,
    RecordWaterDay,
    RootZoneRecord,
)
from scheduler.control.orders import Order, RunOutcome
from scheduler.planning.plan import Plan
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.store import questions
from scheduler.store import tables as t
from scheduler.store.codec import from_dict, from_json


@dataclass(frozen=True, slots=True)
class NodeSeen:
    """When a node was last heard and what it said of its valves. Coarse: written only now and then."""

    node: str
    heard_at: datetime
    session: str
    valves: tuple[tuple[int, str], ...]  # channel, position
    supply_mv: int | None
    refused_total: int
    reset_cause: str | None


@dataclass(frozen=True, slots=True)
class MeasuredRun:
    """What the level said an order drew; ``measured_sd_l`` None: not known."""

    order_id: str
    zone: str
    at: datetime
    booked_l: float
    measured_l: float
    measured_sd_l: float | None


def last_readings(connection: Connection, site: str, count: int) -> tuple[RecordReading, ...]:
    """The newest readings, oldest of them first."""
    rows = connection.execute(
        sa.select(t.readings).where(t.readings.c.site == site).order_by(t.readings.c.id.desc()).limit(count)
    ).all()
    return tuple(_reading(row) for row in reversed(rows))


def readings_since(connection: Connection, site: str, since: datetime) -> tuple[RecordReading, ...]:
    rows = connection.execute(
        sa.select(t.readings)
        .where(t.readings.c.site == site, t.readings.c.at >= since)
        .order_by(t.readings.c.id)
    )
    return tuple(_reading(row) for row in rows)


def _reading(row: Row[Any]) -> RecordReading:
    belief = LevelBelief(
        quality=row.quality,
        at=row.believed_at,
        level_m=row.level_m,
        low_m=row.low_m,
        high_m=row.high_m,
        why=tuple(row.why),
    )
    return RecordReading(LevelReading(row.at, tuple(row.pings), row.air_c), belief)


def last_plan(connection: Connection, site: str, day: date | None = None) -> Plan | None:
    """The newest plan, or the newest of that day."""
    query = sa.select(t.plans.c.plan).where(t.plans.c.site == site)
    if day is not None:
        query = query.where(t.plans.c.day == day)
    text = connection.execute(query.order_by(t.plans.c.id.desc()).limit(1)).scalar_one_or_none()
    return None if text is None else from_json(Plan, text)


def plans_between(connection: Connection, site: str, first: date, last: date) -> tuple[Plan, ...]:
    """Every plan for the days from ``first`` to ``last``, in the order in which they were made."""
    texts = connection.execute(
        sa.select(t.plans.c.plan)
        .where(t.plans.c.site == site, t.plans.c.day >= first, t.plans.c.day <= last)
        .order_by(t.plans.c.id)
    ).scalars()
    return tuple(from_json(Plan, text) for text in texts)


def leaks_planned_since(connection: Connection, site: str, first: date) -> tuple[tuple[date, float], ...]:
    """(local day, litres a day) that the newest plan of each day counts on a leak to take, oldest first."""
    rows = connection.execute(questions.PLANNED_LEAKS, {"site": site, "first": first})
    return tuple((day, leak_l or 0.0) for day, leak_l in rows)


def open_intents(connection: Connection, site: str) -> tuple[Intent, ...]:
    """Orders that were meant and never booked, oldest first."""
    rows = connection.execute(questions.OPEN_INTENTS, {"site": site})
    return tuple(_intent(row) for row in rows)


def intents_since(connection: Connection, site: str, since: datetime) -> tuple[Intent, ...]:
    rows = connection.execute(
        sa.select(t.intents)
        .where(t.intents.c.site == site, t.intents.c.made_at >= since)
        .order_by(t.intents.c.id)
    )
    return tuple(_intent(row) for row in rows)


def _intent(row: Row[Any]) -> Intent:
    return Intent(
        order=from_dict(Order, row.order),
        zone=row.zone,
        made_at=row.made_at,
        level_m=row.level_m,
        planned_l=tuple((plant, litres) for plant, litres in row.planned_l),
        volume_l=row.volume_l,
        asked_by=row.asked_by,
    )


def bookings_since(connection: Connection, site: str, first: date) -> tuple[Booking, ...]:
    """Bookings of the local day ``first`` and later, in the order in which they were booked."""
    asked = {"site": site, "first": first}
    rows = connection.execute(questions.BOOKINGS, asked).all()
    litres: dict[int, list[tuple[str, float]]] = {}
    for booking_id, plant, given_l in connection.execute(questions.BOOKED_LITRES, asked) if rows else ():
        litres.setdefault(booking_id, []).append((plant, given_l))
    return tuple(_booking(row, litres.get(row.id, [])) for row in rows)


def _booking(row: Row[Any], litres: list[tuple[str, float]]) -> Booking:
    return Booking(
        order_id=row.order_id,
        zone=row.zone,
        day=row.day,
        at=row.at,
        open_s=row.open_s,
        outcome=None if row.outcome is None else from_dict(RunOutcome, row.outcome),
        given_l=tuple(litres),
        volume_l=row.volume_l,
        volume_low_l=row.volume_low_l,
        volume_high_l=row.volume_high_l,
        note=row.note,
    )


def booked_order_ids(connection: Connection, site: str, count: int) -> tuple[str, ...]:
    """The newest ``count`` order ids that are booked, oldest first."""
    rows = connection.execute(questions.BOOKED_IDS, {"site": site, "count": count})
    return tuple(reversed([row.order_id for row in rows]))


def litres_since(connection: Connection, site: str, first: date) -> Mapping[str, float]:
    """Litres booked to each plant on the local day ``first`` and later."""
    rows = connection.execute(
        sa.select(t.booked_litres.c.plant, sa.func.sum(t.booked_litres.c.given_l))
        .join(t.bookings)
        .where(t.bookings.c.site == site, t.bookings.c.day >= first)
        .group_by(t.booked_litres.c.plant)
    )
    return {plant: float(given_l) for plant, given_l in rows}


def last_balanced_day(connection: Connection, site: str) -> date | None:
    return connection.execute(questions.LAST_BALANCED, {"site": site}).scalar_one_or_none()


def first_balanced_day(connection: Connection, site: str) -> date | None:
    """As far back as this garden's records go."""
    return connection.execute(
        sa.select(sa.func.min(t.days.c.day)).where(t.days.c.site == site)
    ).scalar_one_or_none()


def root_zones_since(connection: Connection, site: str, first: date) -> tuple[RootZoneRecord, ...]:
    """By day, then plant."""
    rows = connection.execute(questions.ROOT_ZONES, {"site": site, "first": first})
    return tuple(_root_zone(row) for row in rows)


def last_root_zones(connection: Connection, site: str) -> tuple[RootZoneRecord, ...]:
    """The newest record of each plant; a plant that left the garden keeps its last one."""
    rows = connection.execute(questions.LAST_ROOT_ZONES, {"site": site})
    return tuple(_root_zone(row) for row in rows)


def _root_zone(row: Row[Any]) -> RootZoneRecord:
    return RootZoneRecord(**{k: v for k, v in row._mapping.items() if k != "site"})


def weather_since(connection: Connection, site: str, first: date) -> tuple[DayWeather, ...]:
    rows = connection.execute(questions.WEATHER, {"site": site, "first": first})
    return tuple(from_json(DayWeather, row.weather) for row in rows)


def last_learning(connection: Connection, site: str) -> tuple[RecordLearning, ...]:
    """The newest of each zone."""
    rows = connection.execute(questions.LAST_LEARNING, {"site": site})
    return tuple(RecordLearning(**without_site(row, "id")) for row in rows)


def measured_since(connection: Connection, site: str, since: datetime) -> tuple[MeasuredRun, ...]:
    rows = connection.execute(
        sa.select(t.measured)
        .where(t.measured.c.site == site, t.measured.c.at >= since)
        .order_by(t.measured.c.id)
    )
    return tuple(
        MeasuredRun(row.order_id, row.zone, row.at, row.booked_l, row.measured_l, row.measured_sd_l)
        for row in rows
    )


def last_calibration(connection: Connection, site: str) -> RecordCalibration | None:
    row = connection.execute(questions.LAST_CALIBRATION, {"site": site}).one_or_none()
    return None if row is None else RecordCalibration(row.at, row.offset_m, row.level_m, row.who)


def last_watered(connection: Connection, site: str) -> Mapping[str, date]:
    """The local day on which each plant was last given water."""
    rows = connection.execute(questions.LAST_WATERED, {"site": site})
    return {row[0]: row[1] for row in rows}


def given_since(connection: Connection, site: str, first: date) -> tuple[tuple[date, str, float], ...]:
    """(local day, plant, litres) of every booking of the local day ``first`` and later, and by hand."""
    asked = {"site": site, "first": first}
    rows = connection.execute(questions.GIVEN, asked)
    by_hand = connection.execute(questions.GIVEN_BY_HAND, asked)
    return tuple((day, plant, litres) for day, plant, litres in (*rows, *by_hand))


def water_days_since(connection: Connection, site: str, first: date) -> tuple[RecordWaterDay, ...]:
    """The barrels' balance of each closed day, oldest first."""
    rows = connection.execute(questions.WATER_DAYS, {"site": site, "first": first})
    return tuple(from_dict(RecordWaterDay, without_site(row)) for row in rows)


def without_site(row: Row[Any], *others: str) -> dict[str, Any]:
    """The row's columns, but for the garden and ``others``."""
    return {k: v for k, v in row._mapping.items() if k != "site" and k not in others}


def last_outlook(connection: Connection, site: str) -> Outlook | None:
    text = connection.execute(questions.LAST_OUTLOOK, {"site": site}).scalar_one_or_none()
    return None if text is None else from_json(Outlook, text)


def nodes_seen(connection: Connection, site: str) -> tuple[NodeSeen, ...]:
    rows = connection.execute(sa.select(t.nodes).where(t.nodes.c.site == site).order_by(t.nodes.c.node))
    return tuple(
        NodeSeen(
            node=row.node,
            heard_at=row.heard_at,
            session=row.session,
            valves=tuple((channel, position) for channel, position in row.valves),
            supply_mv=row.supply_mv,
            refused_total=row.refused_total,
            reset_cause=row.reset_cause,
        )
        for row in rows
    )


def read_mark(connection: Connection, site: str, name: str) -> str | None:
    return connection.execute(questions.MARK, {"site": site, "name": name}).scalar_one_or_none()


def test_count(connection: Connection, site: str) -> int:
    """How many test records are kept: told without loading what reads them."""
    return int(connection.execute(questions.TEST_COUNT, {"site": site}).scalar_one())
