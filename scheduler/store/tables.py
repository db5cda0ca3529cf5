"""The tables. One store may hold several gardens; every row says whose it is.

A change here needs a step in ``migrations/versions``; a test compares the two.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect


class UtcTime(sa.types.TypeDecorator[datetime]):
    """Aware UTC datetimes in, aware UTC datetimes out; a naive one is a mistake and is refused."""

    impl = sa.DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time without a zone cannot be stored: {value!r}")
        utc = value if value.tzinfo is UTC else value.astimezone(UTC)
        return utc.replace(tzinfo=None)

    def process_result_value(self, value: Any, _dialect: Dialect) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _site() -> sa.Column[str]:
    return sa.Column("site", sa.Text, nullable=False)


# No secondary index: each would cost a page per reading written.
readings = sa.Table(
    "readings",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("pings", sa.JSON, nullable=False),
    sa.Column("air_c", sa.Float),
    sa.Column("quality", sa.Text, nullable=False),
    sa.Column("believed_at", UtcTime),
    sa.Column("level_m", sa.Float),
    sa.Column("low_m", sa.Float),
    sa.Column("high_m", sa.Float),
    sa.Column("why", sa.JSON, nullable=False),
)

intents = sa.Table(
    "intents",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("order_id", sa.Text, nullable=False),
    sa.Column("made_at", UtcTime, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("order", sa.JSON, nullable=False),
    sa.Column("level_m", sa.Float),
    sa.Column("planned_l", sa.JSON, nullable=False),
    sa.Column("volume_l", sa.Float, nullable=False),
    sa.Column("asked_by", sa.Text),
    sa.UniqueConstraint("site", "order_id", name="uq_intents_order"),
)

bookings = sa.Table(
    "bookings",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("order_id", sa.Text, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("open_s", sa.Float, nullable=False),
    sa.Column("outcome", sa.JSON(none_as_null=True)),
    sa.Column("volume_l", sa.Float, nullable=False),
    sa.Column("volume_low_l", sa.Float, nullable=False),
    sa.Column("volume_high_l", sa.Float, nullable=False),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
    # Water is booked once: the database itself refuses a second booking of an order.
    sa.UniqueConstraint("site", "order_id", name="uq_bookings_order"),
)

booked_litres = sa.Table(
    "booked_litres",
    metadata,
    sa.Column("booking_id", sa.ForeignKey("bookings.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("plant", sa.Text, primary_key=True),
    sa.Column("given_l", sa.Float, nullable=False),
)

plans = sa.Table(
    "plans",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("made_at", UtcTime, nullable=False),
    sa.Column("plan", sa.Text, nullable=False),  # JSON of Plan, reasons and all
)

days = sa.Table(
    "days",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("day", sa.Date, primary_key=True),
    sa.Column("weather", sa.Text, nullable=False),  # JSON of DayWeather
)

root_zones = sa.Table(
    "root_zones",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("day", sa.Date, primary_key=True),
    sa.Column("plant", sa.Text, primary_key=True),
    sa.Column("depletion_mm", sa.Float, nullable=False),
    sa.Column("wanted_l", sa.Float, nullable=False),
    sa.Column("et0_mm", sa.Float, nullable=False),
    sa.Column("et0_method", sa.Text, nullable=False),
    sa.Column("rain_credited_l", sa.Float, nullable=False),
    sa.Column("given_l", sa.Float, nullable=False),
    sa.Column("stress", sa.Float, nullable=False),
    sa.ForeignKeyConstraint(["site", "day"], ["days.site", "days.day"], ondelete="CASCADE"),
)

learning = sa.Table(
    "learning",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("flow_factor", sa.Float, nullable=False),
    sa.Column("flow_factor_sd", sa.Float, nullable=False),
    # None: from a store before version 0004, which did not keep the pace.
    sa.Column("slope_per_day", sa.Float),
    sa.Column("slope_var", sa.Float),
    sa.Column("covariance", sa.Float),
)

measured = sa.Table(
    "measured",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("order_id", sa.Text, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("booked_l", sa.Float, nullable=False),
    sa.Column("measured_l", sa.Float, nullable=False),
    sa.Column("measured_sd_l", sa.Float),  # None: from a store of version 0001, which did not keep it
)

calibrations = sa.Table(
    "calibrations",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("offset_m", sa.Float, nullable=False),
    sa.Column("level_m", sa.Float, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
)

# What was found on a day is what was found on that day: never changed, never deleted, never pruned (the
# database refuses it). A record that corrects another names it.
test_records = sa.Table(
    "test_records",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("zone", sa.Text),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("record", sa.Text, nullable=False),  # JSON of a TestRecord
    sa.Column("mark", sa.Text, nullable=False),  # JSON of SiteMark
    sa.Column("replaces", sa.ForeignKey("test_records.id")),
)

# The commissioning of a garden that is half done: what was typed so far.
commissionings = sa.Table(
    "commissionings",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("draft", sa.Text, nullable=False),
)

# The barrels' water of each local day; worked out again while the day's rain may still be mended.
water_days = sa.Table(
    "water_days",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("day", sa.Date, primary_key=True),
    sa.Column("start_l", sa.Float),
    sa.Column("end_l", sa.Float),
    sa.Column("drawn_l", sa.Float, nullable=False),
    sa.Column("taken_l", sa.Float, nullable=False),
    sa.Column("added_l", sa.Float, nullable=False),
    sa.Column("leak_l", sa.Float),
    sa.Column("caught_l", sa.Float),
    sa.Column("overflow_l", sa.Float),
    sa.Column("rest_l", sa.Float),
    sa.Column("rest_sd_l", sa.Float),
)

# Under the request that told it, so that a request heard twice over a crash counts once.
hand_water = sa.Table(
    "hand_water",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("request_id", sa.Integer, primary_key=True),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("plant", sa.Text),
    sa.Column("litres", sa.Float, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
)

holds = sa.Table(
    "holds",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("until", UtcTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
)

typed_rain = sa.Table(
    "typed_rain",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("rain_mm", sa.Float, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
)

alerts = sa.Table(
    "alerts",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("advice", sa.Text, nullable=False),
    sa.Column("urgent", sa.Boolean, nullable=False),
    sa.Column("raised_at", UtcTime, nullable=False),
    sa.Column("cleared_at", UtcTime),
)

# What became of telling each person of an alert; so nobody is told twice, and nobody missed, over a restart.
tellings = sa.Table(
    "tellings",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("raised_at", UtcTime, nullable=False),
    sa.Column("person", sa.Text, nullable=False),
    sa.Column("status", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
)

requests = sa.Table(
    "requests",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("subject", sa.Text),
    sa.Column("amount", sa.Float),
    sqlite_autoincrement=True,  # an id is never used again, even after pruning
)

answers = sa.Table(
    "answers",
    metadata,
    sa.Column("request_id", sa.ForeignKey("requests.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("at", UtcTime, nullable=False),
    sa.Column("done", sa.Boolean, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
)

stops = sa.Table(
    "stops",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _site(),
    sa.Column("stopped", sa.Boolean, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("at", UtcTime, nullable=False),
)

outlooks = sa.Table(
    "outlooks",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("fetched_at", UtcTime, nullable=False),
    sa.Column("outlook", sa.Text, nullable=False),  # JSON of Outlook; only the last one is kept
)

nodes = sa.Table(
    "nodes",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("node", sa.Text, primary_key=True),
    sa.Column("heard_at", UtcTime, nullable=False),
    sa.Column("session", sa.Text, nullable=False),
    sa.Column("valves", sa.JSON, nullable=False),  # [[channel, position], ...]
    sa.Column("supply_mv", sa.Integer),
    sa.Column("refused_total", sa.Integer, nullable=False),
    sa.Column("reset_cause", sa.Text),
)

marks = sa.Table(
    "marks",
    metadata,
    sa.Column("site", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)
