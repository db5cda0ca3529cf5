"""Test records, which are kept for good, and the one commissioning of a garden that is half done.

Everything runs inside one transaction that the caller holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.engine import Connection

from scheduler.site.errors import StoreError
from scheduler.store import tables as t
from scheduler.survey.tests_done import SiteMark, TestRecord, read_record, record_json


@dataclass(frozen=True, slots=True)
class KeptTest:
    """A test record under its number, with the mark of the garden that it was done on."""

    id: int
    record: TestRecord
    mark: SiteMark


def add_test_record(connection: Connection, site: str, record: TestRecord, mark: SiteMark) -> int:
    """Keep a record; its number. StoreError: it corrects a record that is not there."""
    if record.replaces is not None:
        known = sa.select(t.test_records.c.id).where(
            t.test_records.c.site == site, t.test_records.c.id == record.replaces
        )
        if connection.execute(known).scalar_one_or_none() is None:
            raise StoreError(f"There is no test record {record.replaces} of this garden to correct.")
    statement = (
        sa.insert(t.test_records)
        .values(
            site=site,
            at=record.at,
            kind=record.kind,
            zone=record.zone,
            who=record.who,
            record=record_json(record),
            mark=mark.model_dump_json(),
            replaces=record.replaces,
        )
        .returning(t.test_records.c.id)
    )
    return int(connection.execute(statement).scalar_one())


def test_records(connection: Connection, site: str) -> tuple[KeptTest, ...]:
    """All of them, by when the test was done; of one moment by when it was told."""
    rows = connection.execute(
        sa.select(t.test_records)
        .where(t.test_records.c.site == site)
        .order_by(t.test_records.c.at, t.test_records.c.id)
    )
    return tuple(_kept(row.id, row.record, row.mark) for row in rows)


def _kept(number: int, record: str, mark: str) -> KeptTest:
    try:
        return KeptTest(number, read_record(record), SiteMark.model_validate_json(mark))
    except ValidationError as error:
        said = error.errors()[0]["msg"]
        raise StoreError(f"The store holds a test record ({number}) that cannot be read: {said}.") from error


def save_draft(connection: Connection, site: str, draft: str, at: datetime) -> None:
    """The newest state of the half-done commissioning takes the place of the one before."""
    row = {"draft": draft, "at": at}
    statement = insert(t.commissionings).values(site=site, **row)
    connection.execute(statement.on_conflict_do_update(index_elements=["site"], set_=row))


def draft(connection: Connection, site: str) -> str | None:
    return connection.execute(
        sa.select(t.commissionings.c.draft).where(t.commissionings.c.site == site)
    ).scalar_one_or_none()


def clear_draft(connection: Connection, site: str) -> None:
    connection.execute(sa.delete(t.commissionings).where(t.commissionings.c.site == site))
