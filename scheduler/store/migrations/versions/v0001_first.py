"""The first store."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "alerts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("advice", sa.Text(), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("raised_at", sa.DateTime(), nullable=False),
        sa.Column("cleared_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
    )
    op.create_table(
        "bookings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("open_s", sa.Float(), nullable=False),
        sa.Column("outcome", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("volume_l", sa.Float(), nullable=False),
        sa.Column("volume_low_l", sa.Float(), nullable=False),
        sa.Column("volume_high_l", sa.Float(), nullable=False),
        sa.Column("measured_l", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bookings")),
        sa.UniqueConstraint("site", "order_id", name="uq_bookings_order"),
    )
    op.create_table(
        "days",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("weather", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "day", name=op.f("pk_days")),
    )
    op.create_table(
        "intents",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("order", sa.JSON(), nullable=False),
        sa.Column("level_m", sa.Float(), nullable=True),
        sa.Column("planned_l", sa.JSON(), nullable=False),
        sa.Column("volume_l", sa.Float(), nullable=False),
        sa.Column("asked_by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_intents")),
        sa.UniqueConstraint("site", "order_id", name="uq_intents_order"),
    )
    op.create_table(
        "learning",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("flow_factor", sa.Float(), nullable=False),
        sa.Column("flow_factor_sd", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learning")),
    )
    op.create_table(
        "marks",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "name", name=op.f("pk_marks")),
    )
    op.create_table(
        "nodes",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("node", sa.Text(), nullable=False),
        sa.Column("heard_at", sa.DateTime(), nullable=False),
        sa.Column("session", sa.Text(), nullable=False),
        sa.Column("valves", sa.JSON(), nullable=False),
        sa.Column("supply_mv", sa.Integer(), nullable=True),
        sa.Column("refused_total", sa.Integer(), nullable=False),
        sa.Column("reset_cause", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("site", "node", name=op.f("pk_nodes")),
    )
    op.create_table(
        "outlooks",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("fetched_at", sa.DateTime(), nullable=False),
        sa.Column("outlook", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_outlooks")),
    )
    op.create_table(
        "plans",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("pings", sa.JSON(), nullable=False),
        sa.Column("air_c", sa.Float(), nullable=True),
        sa.Column("quality", sa.Text(), nullable=False),
        sa.Column("believed_at", sa.DateTime(), nullable=True),
        sa.Column("level_m", sa.Float(), nullable=True),
        sa.Column("low_m", sa.Float(), nullable=True),
        sa.Column("high_m", sa.Float(), nullable=True),
        sa.Column("why", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    op.create_table(
        "requests",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=True),
        sa.Column("amount", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_requests")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "stops",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("stopped", sa.Boolean(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stops")),
    )
    op.create_table(
        "answers",
        sa.Column("request_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["request_id"], ["requests.id"], name=op.f("fk_answers_request_id_requests"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("request_id", name=op.f("pk_answers")),
    )
    op.create_table(
        "booked_litres",
        sa.Column("booking_id", sa.Integer(), nullable=False),
        sa.Column("plant", sa.Text(), nullable=False),
        sa.Column("given_l", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["booking_id"],
            ["bookings.id"],
            name=op.f("fk_booked_litres_booking_id_bookings"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("booking_id", "plant", name=op.f("pk_booked_litres")),
    )
    op.create_table(
        "root_zones",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("plant", sa.Text(), nullable=False),
        sa.Column("depletion_mm", sa.Float(), nullable=False),
        sa.Column("wanted_l", sa.Float(), nullable=False),
        sa.Column("et0_mm", sa.Float(), nullable=False),
        sa.Column("et0_method", sa.Text(), nullable=False),
        sa.Column("rain_credited_l", sa.Float(), nullable=False),
        sa.Column("given_l", sa.Float(), nullable=False),
        sa.Column("stress", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site", "day"],
            ["days.site", "days.day"],
            name=op.f("fk_root_zones_site_days"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("site", "day", "plant", name=op.f("pk_root_zones")),
    )
