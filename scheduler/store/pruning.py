"""History is bounded by days: a store on a card must not grow for ever."""

from __future__ import annotations

from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from scheduler.store import tables as t

# Days kept; choices of this project. A reading every 5 min for 60 days is about 3 MB.
READINGS_KEPT_DAYS = 60
# Plans with all their reasons, some kB each: a season and a bit, so that decisions can be replayed.
PLANS_KEPT_DAYS = 250
# The rest is small: two seasons can be compared.
HISTORY_KEPT_DAYS = 800


def prune(connection: Connection, site: str, now: datetime) -> None:
    """Delete what is older than its days. Open intents, open alerts and unanswered requests stay."""
    plans = now - timedelta(days=PLANS_KEPT_DAYS)
    history = now - timedelta(days=HISTORY_KEPT_DAYS)
    statements = (
        sa.delete(t.readings).where(
            t.readings.c.site == site, t.readings.c.at < now - timedelta(days=READINGS_KEPT_DAYS)
        ),
        sa.delete(t.plans).where(t.plans.c.site == site, t.plans.c.made_at < plans),
        sa.delete(t.intents).where(
            t.intents.c.site == site,
            t.intents.c.made_at < history,
            sa.exists().where(
                t.bookings.c.site == t.intents.c.site, t.bookings.c.order_id == t.intents.c.order_id
            ),
        ),
        sa.delete(t.bookings).where(t.bookings.c.site == site, t.bookings.c.at < history),
        sa.delete(t.measured).where(t.measured.c.site == site, t.measured.c.at < history),
        sa.delete(t.days).where(t.days.c.site == site, t.days.c.day < history.date()),
        sa.delete(t.water_days).where(t.water_days.c.site == site, t.water_days.c.day < history.date()),
        sa.delete(t.hand_water).where(t.hand_water.c.site == site, t.hand_water.c.at < history),
        sa.delete(t.typed_rain).where(t.typed_rain.c.site == site, t.typed_rain.c.at < history),
        _all_but_newest(t.holds, site, history, t.holds.c.zone),
        sa.delete(t.alerts).where(
            t.alerts.c.site == site, t.alerts.c.raised_at < history, t.alerts.c.cleared_at.is_not(None)
        ),
        sa.delete(t.tellings).where(t.tellings.c.site == site, t.tellings.c.at < history),
        sa.delete(t.requests).where(
            t.requests.c.site == site,
            t.requests.c.at < history,
            sa.exists().where(t.answers.c.request_id == t.requests.c.id),
        ),
        _all_but_newest(t.learning, site, history, t.learning.c.zone),
        _all_but_newest(t.stops, site, history, t.stops.c.site),
        _all_but_newest(t.calibrations, site, history, t.calibrations.c.site),
    )
    for statement in statements:
        connection.execute(statement)


def _all_but_newest(table: sa.Table, site: str, before: datetime, group: sa.Column[str]) -> sa.Delete:
    """The newest row of each group says what holds now and stays however old it is."""
    newest = sa.select(sa.func.max(table.c.id)).where(table.c.site == site).group_by(group)
    return sa.delete(table).where(table.c.site == site, table.c.at < before, table.c.id.not_in(newest))
