"""Test records, kept for good; a half-done commissioning; the learned pace of clogging."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# The database itself refuses to change or drop a test record, whoever asks.
KEPT_FOR_GOOD = (
    "CREATE TRIGGER test_records_never_changed BEFORE UPDATE ON test_records "
    "BEGIN SELECT RAISE(ABORT, 'a test record is never changed'); END",
    "CREATE TRIGGER test_records_never_deleted BEFORE DELETE ON test_records "
    "BEGIN SELECT RAISE(ABORT, 'a test record is never deleted'); END",
)


def upgrade() -> None:
    op.create_table(
        "test_records",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("mark", sa.Text(), nullable=False),
        sa.Column("replaces", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["replaces"], ["test_records.id"], name=op.f("fk_test_records_replaces_test_records")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_test_records")),
    )
    for statement in KEPT_FOR_GOOD:
        op.execute(statement)
    op.create_table(
        "commissionings",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("draft", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_commissionings")),
    )
    for name in ("slope_per_day", "slope_var", "covariance"):
        op.add_column("learning", sa.Column(name, sa.Float(), nullable=True))
