"""The way from the store's statements to SQLite, shortened for a store in memory.

The store, its statements, their SQL, the types of their columns and the transactions are the real ones; only
what SQLAlchemy does around each statement is done once: a storm writes some thousand rows, and to prepare
each took five times as long as to write it; it asks some two hundred times besides. Whatever this does not
know goes SQLAlchemy's own way, in the same transaction.
"""

from __future__ import annotations

import sqlite3
from collections import namedtuple
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple, cast

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

Row = Mapping[str, Any]
Made = Callable[[Any], Any] | None


class Answer(list[Any]):
    """What the store's functions use of a result."""

    all = list.copy

    def one_or_none(self) -> Any:
        if len(self) > 1:
            raise ValueError(f"{len(self)} rows where one was asked for")
        return self[0] if self else None

    def scalars(self) -> list[Any]:
        return [row[0] for row in self]

    def scalar_one_or_none(self) -> Any:
        row = self.one_or_none()
        return None if row is None else row[0]

    def scalar_one(self) -> Any:
        (row,) = self
        return row[0]


class Prepared(NamedTuple):
    """A statement's SQL, how each of its parameters is made, in their order, and how a row that comes back is
    (None: none does)."""

    statement: Any  # held, so that its id stays its own
    sql: str
    names: tuple[tuple[str, Made], ...]
    fixed: Row  # what the statement gives itself
    row: Callable[[Sequence[Any]], Any] | None

    def values(self, row: Row) -> list[Any]:
        row = {**self.fixed, **row} if self.fixed else row
        return [make(row[name]) if make is not None else row[name] for name, make in self.names]

    def carry_out(self, raw: sqlite3.Connection, row: Row) -> Any:
        cursor = raw.execute(self.sql, self.values(row))
        return cursor if self.row is None else Answer(map(self.row, cursor.fetchall()))


class QuickConnection:
    """What the store's functions use of a connection, within one transaction."""

    def __init__(self, raw: sqlite3.Connection, plain: Connection) -> None:
        self._raw = raw
        self._plain = plain
        self._prepared: dict[tuple[int, tuple[str, ...]], Prepared | None] = {}

    def execute(self, statement: Any, given: Any = None) -> Any:
        # What is asked with nothing given was put together for this once.
        if given and isinstance(statement, (sa.Select, sa.Insert, sa.Update, sa.Delete)):
            rows = cast("Sequence[Row]", given if isinstance(given, list) else (given,))
            key = (id(statement), tuple(rows[0]))
            if key not in self._prepared:
                self._prepared[key] = _prepared(statement, key[1], self._plain)
            prepared = self._prepared[key]
            if prepared is not None and len(rows) == 1:
                return prepared.carry_out(self._raw, rows[0])
            if prepared is not None and prepared.row is None:
                return self._raw.executemany(prepared.sql, [prepared.values(row) for row in rows])
        return self._plain.execute(statement, given)

    def execution_options(self, **_: Any) -> QuickConnection:
        return _Reading(self)

    def begin(self) -> _Transaction:
        return _Transaction(self._raw, self, "BEGIN IMMEDIATE")

    def __getattr__(self, name: str) -> Any:
        return getattr(self._plain, name)


class _Reading(QuickConnection):
    """The same for a transaction that only reads."""

    def __init__(self, of: QuickConnection) -> None:
        self.__dict__ = of.__dict__

    def begin(self) -> _Transaction:
        return _Transaction(self._raw, self, "BEGIN")


class QuickEngine:
    """In place of the store's engine once its tables are there. One thread, one connection."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.url = engine.url
        plain = engine.connect()
        plain.begin()  # SQLAlchemy's transaction stands for good; SQLite's are begun and ended here
        self.raw = cast("sqlite3.Connection", plain.connection.driver_connection)
        self.raw.execute("COMMIT")
        self._connection = QuickConnection(self.raw, plain)

    def begin(self) -> _Transaction:
        return self._connection.begin()

    @contextmanager
    def connect(self) -> Iterator[QuickConnection]:
        yield self._connection


class _Transaction:
    """All that is done within it, or nothing."""

    def __init__(self, raw: sqlite3.Connection, connection: QuickConnection, begin: str) -> None:
        self._raw, self._connection, self._begin = raw, connection, begin

    def __enter__(self) -> QuickConnection:
        self._raw.execute(self._begin)
        return self._connection

    def __exit__(self, kind: object, *_: object) -> None:
        try:
            if kind is None:
                self._raw.execute("COMMIT")
        finally:
            if self._raw.in_transaction:
                self._raw.execute("ROLLBACK")


def _prepared(statement: Any, names: tuple[str, ...], plain: Connection) -> Prepared | None:
    """None: the statement has values that SQLAlchemy fills in at each call, or columns of the same name."""
    compiled = statement.compile(dialect=plain.dialect, column_keys=list(names))
    left_to_it = (
        compiled.insert_prefetch if compiled.isinsert else (),
        compiled.update_prefetch if compiled.isupdate else (),
        compiled.post_compile_params,
        compiled.literal_execute_params,
    )
    order, columns = compiled.positiontup, compiled._result_columns
    if any(left_to_it) or order is None or len({c.keyname for c in columns}) != len(columns):
        return None
    own = [b for name, b in compiled.binds.items() if name not in names and not b.required]
    fixed = {b.key: b.effective_value for b in own}
    if not set(names) <= set(order) <= {*names, *fixed}:
        return None
    makers = compiled._bind_processors
    parameters = tuple((name, makers.get(name)) for name in order)
    return Prepared(statement, compiled.string, parameters, fixed, _row(columns, plain) if columns else None)


def _row(columns: Sequence[Any], plain: Connection) -> Callable[[Sequence[Any]], Any]:
    """A maker of rows with the columns' names, each value as its column's type makes it."""
    makers = [c.type._cached_result_processor(plain.dialect, None) for c in columns]
    plain_row = namedtuple("plain_row", [c.keyname for c in columns])

    class Row(plain_row):  # type: ignore[valid-type,misc]
        _mapping = property(plain_row._asdict)

    return lambda found: Row(*[m(x) if m is not None else x for m, x in zip(makers, found, strict=True)])
