"""A table of a command, for a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.report.plan import Columns, Rows


@dataclass(frozen=True, slots=True)
class Table:
    """``head``: each column's words, and whether it holds figures."""

    head: Sequence[tuple[str, bool]]
    rows: Rows


def table(columns: Columns, rows: Rows) -> Table | None:
    """None: there is nothing in it."""
    return Table([(name, side == "right") for name, side in columns], rows) if rows else None
