"""Litres by the level, hand-measured levels, who was told of what, and a word on how a run ended."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "measured",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("booked_l", sa.Float(), nullable=False),
        sa.Column("measured_l", sa.Float(), nullable=False),
        sa.Column("measured_sd_l", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measured")),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("offset_m", sa.Float(), nullable=False),
        sa.Column("level_m", sa.Float(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
    )
    op.create_table(
        "tellings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("raised_at", sa.DateTime(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tellings")),
    )
    # The litres the first store kept beside a booking move to their own table; their spread was not kept.
    op.execute(
        "INSERT INTO measured (site, order_id, zone, at, booked_l, measured_l) "
        "SELECT site, order_id, zone, at, volume_l, measured_l FROM bookings "
        "WHERE measured_l IS NOT NULL ORDER BY id"
    )
    op.add_column("bookings", sa.Column("note", sa.Text(), nullable=False, server_default=""))
    op.drop_column("bookings", "measured_l")
