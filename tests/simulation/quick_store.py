"""The way from the store's statements to SQLite, shortened for a store in memory.

The store, its statements, their SQL and the transactions are the real ones; only what SQLAlchemy does around
each of them is done once per statement: a storm writes some thousand rows, and to prepare each took five
times as long as to write it. Whatever this does not know goes SQLAlchemy's own way, in the same transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple, cast

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

Row = Mapping[str, Any]


class Prepared(NamedTuple):
    """A statement's SQL and how each of its parameters is made, in their order."""

    statement: Any  # held, so that its id stays its own
    sql: str
    names: tuple[tuple[str, Callable[[Any], Any] | None], ...]

    def values(self, row: Row) -> list[Any]:
        return [make(row[name]) if make is not None else row[name] for name, make in self.names]


class QuickConnection:
    """What the store's functions use of a connection, within one transaction."""

    def __init__(self, raw: sqlite3.Connection, plain: Connection) -> None:
        self._raw = raw
        self._plain = plain
        self._prepared: dict[tuple[int, tuple[str, ...]], Prepared | None] = {}

    def execute(self, statement: Any, given: Any = None) -> Any:
        if given and isinstance(statement, (sa.Insert, sa.Update, sa.Delete)):
            rows = cast("Sequence[Row]", given if isinstance(given, list) else (given,))
            key = (id(statement), tuple(rows[0]))
            if key not in self._prepared:
                self._prepared[key] = _prepared(statement, key[1], self._plain)
            prepared = self._prepared[key]
            if prepared is not None:
                if len(rows) == 1:
                    return self._raw.execute(prepared.sql, prepared.values(rows[0]))
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
    """None: the statement gives rows back, or has values that SQLAlchemy fills in at each call."""
    compiled = statement.compile(dialect=plain.dialect, column_keys=list(names))
    left_to_it = (
        compiled.effective_returning,
        compiled.insert_prefetch if compiled.isinsert else (),
        compiled.update_prefetch if compiled.isupdate else (),
        compiled.post_compile_params,
        compiled.literal_execute_params,
    )
    order = compiled.positiontup
    if any(left_to_it) or order is None or set(order) != set(names):
        return None
    makers = compiled._bind_processors
    return Prepared(statement, compiled.string, tuple((name, makers.get(name)) for name in order))
