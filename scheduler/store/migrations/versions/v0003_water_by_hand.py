"""The barrels' water by day, water moved by hand, zones held, rain typed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "water_days",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("start_l", sa.Float(), nullable=True),
        sa.Column("end_l", sa.Float(), nullable=True),
        sa.Column("drawn_l", sa.Float(), nullable=False),
        sa.Column("taken_l", sa.Float(), nullable=False),
        sa.Column("added_l", sa.Float(), nullable=False),
        sa.Column("leak_l", sa.Float(), nullable=True),
        sa.Column("caught_l", sa.Float(), nullable=True),
        sa.Column("overflow_l", sa.Float(), nullable=True),
        sa.Column("rest_l", sa.Float(), nullable=True),
        sa.Column("rest_sd_l", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("site", "day", name=op.f("pk_water_days")),
    )
    op.create_table(
        "hand_water",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("request_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("plant", sa.Text(), nullable=True),
        sa.Column("litres", sa.Float(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "request_id", name=op.f("pk_hand_water")),
    )
    op.create_table(
        "holds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("until", sa.DateTime(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_holds")),
    )
    op.create_table(
        "typed_rain",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("rain_mm", sa.Float(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_typed_rain")),
    )
