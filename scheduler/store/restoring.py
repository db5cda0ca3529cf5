"""What a shell restores before the first step of the controller."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.engine import Connection

from scheduler.agronomy.need import RootZone
from scheduler.control.alarms import AlarmMemory
from scheduler.control.effects import Booking, Intent, RecordHandWater, RecordLearning, RootZoneRecord
from scheduler.control.state import Opened, Saved, WaterBook, WaterDraw
from scheduler.planning.plan import Plan
from scheduler.sensing.flow import FlowFactor
from scheduler.sensing.leak import Leak
from scheduler.store import asking, asking_people

# As many booked ids as the controller keeps; the table itself refuses a second booking of any older one.
BOOKED_RESTORED = 500
# Weather this far back fills gaps in a balance that is worked out again.
WEATHER_RESTORED_DAYS = 14
# Given litres without any balanced day yet (a new garden) go back this far.
GIVEN_RESTORED_DAYS = 14
# Days before the last balanced one from which later rain mends the balance (as the controller keeps them).
BASE_DAYS = 7
# A level older than this serves for nothing, so draws before it matter to none.
DRAWS_RESTORED = timedelta(hours=48)
# Closed days whose balance may still be mended by later weather (as many as the controller keeps).
WATER_DAYS_RESTORED = 7
# A plan so old tells of a leak no more (as in reports).
LEAK_RESTORED_DAYS = 7


def load_saved(connection: Connection, site: str, now: datetime, zone: ZoneInfo) -> Saved:
    """One consistent view of everything the controller goes on from."""
    today = now.astimezone(zone).date()
    balanced = asking.last_balanced_day(connection, site)
    watered = asking.last_watered(connection, site)
    base = _base(connection, site, balanced, watered) if balanced else None
    given_after = base[0] if base is not None else balanced
    first_given = (
        given_after + timedelta(days=1) if given_after else today - timedelta(days=GIVEN_RESTORED_DAYS)
    )
    stop = asking_people.stop_state(connection, site)
    calibration = asking.last_calibration(connection, site)
    lately = today - DRAWS_RESTORED - timedelta(days=1)
    bookings = asking.bookings_since(connection, site, lately)
    by_hand = asking_people.hand_water_since(connection, site, lately)
    plans = asking.plans_between(connection, site, today, today)
    return Saved(
        open_intents=asking.open_intents(connection, site),
        booked=frozenset(asking.booked_order_ids(connection, site, BOOKED_RESTORED)),
        root_zones=_root_zones(connection, site, watered),
        balanced_day=balanced,
        base=base,
        given_l=asking.given_since(connection, site, first_given),
        flow_factors=tuple((row.zone, _factor(row)) for row in asking.last_learning(connection, site)),
        weather=asking.weather_since(connection, site, today - timedelta(days=WEATHER_RESTORED_DAYS)),
        outlook=asking.last_outlook(connection, site),
        level_offset_m=calibration.offset_m if calibration is not None else 0.0,
        hand_level=(calibration.at, calibration.level_m) if calibration is not None else None,
        stopped_by=stop.who if stop is not None and stop.stopped else None,
        requests=asking_people.unanswered_requests(connection, site),
        alarms=_alarms(connection, site, zone),
        book=_book(bookings, by_hand, today),
        draws=_draws(bookings, by_hand, now),
        water_days=asking.water_days_since(connection, site, today - timedelta(days=WATER_DAYS_RESTORED)),
        holds=asking_people.holds_now(connection, site),
        choices=asking_people.choices_now(connection, site),
        rain_typed=asking_people.typed_rain_since(
            connection, site, today - timedelta(days=WEATHER_RESTORED_DAYS)
        ),
        plans=plans,
        opened=_opened(asking.intents_since(connection, site, plans[0].made_at), bookings) if plans else (),
        leak=_leak(asking.last_plan(connection, site), today),
    )


def _opened(intents: tuple[Intent, ...], bookings: tuple[Booking, ...]) -> tuple[Opened, ...]:
    """The orders by the day's plans, less those that are booked as having opened nothing."""
    # An order from before midnight may be booked on the day before its plan: all lately booked are looked at.
    empty = {b.order_id for b in bookings if b.volume_l == 0.0}
    return tuple(
        Opened(i.zone, i.made_at, i.order.open_ms / 1000.0)
        for i in intents
        if i.asked_by is None and not i.for_test and i.order.order_id not in empty
    )


def _book(bookings: tuple[Booking, ...], by_hand: tuple[RecordHandWater, ...], today: date) -> WaterBook:
    """The barrels' water of the day that runs, as far as it was written down.

    Its start in litres needs the garden's shape, which the store does not know: it stays unknown, and the
    day's balance with it.
    """
    drawn_l = sum(b.volume_l for b in bookings if b.day == today)
    moved = [m for m in by_hand if m.day == today]
    if drawn_l == 0.0 and not moved:
        return WaterBook()
    return WaterBook(
        day=today,
        start_l=None,
        drawn_l=drawn_l,
        taken_l=sum(m.litres for m in moved if m.kind == "took"),
        added_l=sum(m.litres for m in moved if m.kind == "topped_up"),
    )


def _draws(
    bookings: tuple[Booking, ...], by_hand: tuple[RecordHandWater, ...], now: datetime
) -> tuple[WaterDraw, ...]:
    """What left the barrels in the last days, by run and by hand: a level measured before it is too high."""
    since = now - DRAWS_RESTORED
    runs = [
        WaterDraw(b.at - timedelta(seconds=b.open_s), b.volume_high_l, by_run=True)
        for b in bookings
        if b.at >= since and b.volume_high_l > 0.0
    ]
    cans = [WaterDraw(m.at, m.litres, by_run=False) for m in by_hand if m.kind == "took" and m.at >= since]
    return tuple(sorted([*runs, *cans], key=lambda d: d.at))


def _base(
    connection: Connection, site: str, balanced: date, watered: Mapping[str, date]
) -> tuple[date, tuple[RootZone, ...]] | None:
    """The root zones some days before the last balanced one, from where every day up to it is on record."""
    records = asking.root_zones_since(connection, site, balanced - timedelta(days=BASE_DAYS))
    by_day: dict[date, list[RootZoneRecord]] = {}
    for record in records:
        by_day.setdefault(record.day, []).append(record)
    plants = {r.plant for r in by_day.get(balanced, [])}
    day = balanced
    while {r.plant for r in by_day.get(day - timedelta(days=1), [])} >= plants:
        day -= timedelta(days=1)
        if day < balanced - timedelta(days=BASE_DAYS):  # pragma: no cover - no older record was asked for
            break
    if day == balanced or not plants:
        return None
    return day, tuple(
        RootZone(r.plant, r.depletion_mm, last if (last := watered.get(r.plant)) and last <= day else None)
        for r in by_day[day]
    )


def _root_zones(connection: Connection, site: str, watered: Mapping[str, date]) -> tuple[RootZone, ...]:
    return tuple(
        RootZone(plant=row.plant, depletion_mm=row.depletion_mm, last_watered=watered.get(row.plant))
        for row in asking.last_root_zones(connection, site)
    )


def _leak(plan: Plan | None, today: date) -> Leak | None:
    """The leak that the newest plan counted on: else each start would wait some dry nights for it again."""
    if plan is None or plan.day < today - timedelta(days=LEAK_RESTORED_DAYS):
        return None
    a_day_l, sd_l = plan.store.leak_l, plan.store.leak_sd_l
    return Leak(a_day_l / 24.0, sd_l / 24.0) if a_day_l > 0.0 and sd_l is not None else None


def _factor(row: RecordLearning) -> FlowFactor:
    """A store that did not keep the trend leaves it as it is before anything is learned."""
    known = FlowFactor(value=row.flow_factor, sd=row.flow_factor_sd, updated=row.at)
    if row.slope_per_day is None or row.slope_var is None or row.covariance is None:
        return known
    return replace(known, slope_per_day=row.slope_per_day, slope_var=row.slope_var, covariance=row.covariance)


def _alarms(connection: Connection, site: str, zone: ZoneInfo) -> tuple[AlarmMemory, ...]:
    return tuple(
        AlarmMemory(
            kind=raised.alert.kind,
            subject=raised.alert.subject,
            raised_at=raised.alert.at if raised.cleared_at is None else None,
            told_at=raised.alert.at,
            told_day=raised.alert.at.astimezone(zone).date(),
        )
        for raised in asking_people.last_raised(connection, site)
    )
