"""A table of a command, for a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.report.plan import Columns, Rows

# Units that may stand in the head of a column.
UNITS_ABOVE = ("L/h", "gph", "gpm", "%", "cm", "m", "in", "ft")


@dataclass(frozen=True, slots=True)
class Table:
    """``head``: each column's words, and whether it holds figures."""

    head: Sequence[tuple[str, bool]]
    rows: Rows


def table(columns: Columns, rows: Rows) -> Table | None:
    """None: there is nothing in it."""
    return Table([(name, side == "right") for name, side in columns], rows) if rows else None


def unit_above(columns: Columns, rows: Rows) -> tuple[Columns, Rows]:
    """A unit that all figures of a column share stands in its head: a phone is narrow."""
    heads, cells = list(columns), [list(row) for row in rows]
    for n, (name, side) in enumerate(columns):
        units = {unit for row in rows for unit in UNITS_ABOVE if row[n].endswith(f" {unit}")}
        for unit in units if len(units) == 1 else ():
            if any(f" {unit} " in row[n] for row in rows):
                continue  # it stands within a cell too
            heads[n] = (f"{name}, {unit}", side)
            for row in cells:
                row[n] = row[n].removesuffix(f" {unit}")
    return heads, cells
