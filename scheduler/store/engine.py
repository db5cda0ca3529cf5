"""Connections as this store needs them, and foreign errors in plain words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import URL, Connection, Engine, make_url

from scheduler.site.errors import StoreError

# How long a writer waits for another one. Ours are short; a person's editor may hold the file longer.
BUSY_TIMEOUT_MS = 5000
# The write-ahead log is cut back to this after a checkpoint.
JOURNAL_LIMIT_BYTES = 4 * 1024 * 1024
# Written pages of 1 KiB before the log is folded in: every 2 MB, about once a day.
CHECKPOINT_PAGES = 2000
# Small pages: a commit of a few rows then fills one block of the card instead of one per table (measured
# here: 1.2 MB a day in place of 2.5 for two readings, a node and a mark each 10 minutes).
PAGE_BYTES = 1024

PRAGMAS = (
    f"page_size={PAGE_BYTES}",  # first: it holds only for a file not yet written
    "journal_mode=WAL",
    "synchronous=FULL",  # an acknowledged request or intent outlives a power cut
    "foreign_keys=ON",
    f"busy_timeout={BUSY_TIMEOUT_MS}",
    f"journal_size_limit={JOURNAL_LIMIT_BYTES}",
    f"wal_autocheckpoint={CHECKPOINT_PAGES}",
    "cache_size=-1024",  # KiB; the working set is small and so is the Pi
)


def sqlite_path(url: str) -> Path | None:
    """The file behind a SQLite URL; None for another database or one in memory. StoreError: not a URL."""
    parsed = _parsed(url)
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    return Path(str(parsed.database))


def make_engine(url: str, *, busy_timeout_ms: int = BUSY_TIMEOUT_MS) -> Engine:
    parsed = _parsed(url)
    if parsed.get_backend_name() != "sqlite":
        raise StoreError(
            f"The store {parsed.render_as_string()} is not SQLite; only sqlite:/// is supported yet."
        )
    if sqlite_path(url) is None:
        engine = sa.create_engine(
            parsed, poolclass=sa.pool.StaticPool, connect_args={"check_same_thread": False}
        )
    else:
        engine = sa.create_engine(parsed, pool_size=2, max_overflow=4)
    _set_up(engine, busy_timeout_ms)
    return engine


def _set_up(engine: Engine, busy_timeout_ms: int) -> None:
    @event.listens_for(engine, "connect")
    def _pragmas(dbapi: Any, _record: Any) -> None:
        dbapi.isolation_level = None  # transactions begin where we say, not where the driver guesses
        cursor = dbapi.cursor()
        cursor.execute(f"PRAGMA busy_timeout={busy_timeout_ms}")
        for pragma in PRAGMAS:
            if not pragma.startswith("busy_timeout"):
                cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        deferred = connection.get_execution_options().get("reading", False)
        # Straight to the driver: the way through SQLAlchemy costs as much as writing a row.
        cursor = connection.connection.cursor()
        cursor.execute("BEGIN" if deferred else "BEGIN IMMEDIATE")
        cursor.close()


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction: all or nothing, durable when the block ends. StoreError in plain words."""
    with plain_errors(engine.url), engine.begin() as connection:
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One consistent view; it never waits for a writer."""
    with plain_errors(engine.url), engine.connect() as plain:
        connection = plain.execution_options(reading=True)
        with connection.begin():
            yield connection


@contextmanager
def plain_errors(url: URL) -> Iterator[None]:
    try:
        yield
    except (sa.exc.SQLAlchemyError, sqlite3.Error) as error:
        raise StoreError(in_plain_words(error, url)) from error


def in_plain_words(error: Exception, url: URL) -> str:
    """What went wrong with the store and what to do."""
    said = str(getattr(error, "orig", None) or error)
    name = url.database or url.render_as_string()
    for sign, text in _WORDS:
        if sign in said:
            return text.format(name=name)
    return f"The store {name} cannot be used: {said}."


_WORDS = (
    (
        "database is locked",
        "The store {name} is locked by another program and stayed so; end what holds it (a backup, "
        "a database browser) and try again.",
    ),
    (
        "database or disk is full",
        "The disk with the store {name} is full; make room. Nothing was half written.",
    ),
    (
        "disk I/O error",
        "The disk with the store {name} fails (or is full); look at the card and at the system's log.",
    ),
    (
        "readonly database",
        "The store {name} cannot be written: the file or the disk is read-only. A failing card turns "
        "read-only; else give the service's user the right to write.",
    ),
    (
        "unable to open database file",
        "The store {name} cannot be opened: its folder is missing or not allowed to this user.",
    ),
    (
        "malformed",
        "The store {name} is damaged. Stop the service, set the file and its -wal and -shm aside, and copy "
        "the newest backup to this name.",
    ),
    (
        "not a database",
        "The file {name} is not a store of ours, or it is damaged; restore the newest backup.",
    ),
    (
        "no such table",
        "The store {name} has not been set up, or is of another version; start the service once.",
    ),
)


def _parsed(url: str) -> URL:
    try:
        return make_url(url)
    except sa.exc.ArgumentError as error:
        raise StoreError(
            f"The store's address {url!r} is not a database URL; write for example sqlite:////var/lib/garden.db."
        ) from error
