"""Before a store is used: is the file there, whole, and of our version? Never silently start empty."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Engine

from scheduler.site.errors import StoreError
from scheduler.store.engine import plain_errors, sqlite_path
from scheduler.store.migrating import VERSION, check_version, migrate, migrate_apart

BACKUP_MARK = ".backup-"
# How SQLite says that a file is damaged before a check can even begin.
DAMAGE_SIGNS = ("malformed", "not a database", "unsupported file format")


def open_for_service(engine: Engine, url: str) -> None:
    """Check the file, make it if this is the first start, bring it to our version after copying it."""
    path = sqlite_path(url)
    if path is not None:
        refuse_if_lost(path)
    check_whole(engine, path)
    version = check_version(engine)
    if version == VERSION:
        return
    if path is not None and version is not None:
        copy_to(engine, path.with_name(f"{path.name}.before-{VERSION}"))
    if path is None:
        migrate(engine)
    else:
        migrate_apart(url)


def open_for_person(engine: Engine, url: str) -> None:
    """A command or the page: the store must be there and of our version; never made or migrated here."""
    path = sqlite_path(url)
    if path is not None and not path.exists():
        raise StoreError(
            f"There is no store {path}: the service has not run here yet. Start it with `serve`. Or set "
            "FALLINGHEAD_STATE to the folder in which the service keeps its store."
        )
    version = check_version(engine)
    if version != VERSION:
        raise StoreError(
            f"The store {engine.url.database} has version {version}, this program {VERSION}: "
            "restart the service, which brings it up to date."
        )


def refuse_if_lost(path: Path) -> None:
    """StoreError when the file is missing or empty although there was a store here before."""
    if not path.parent.is_dir():
        raise StoreError(
            f"The folder {path.parent} for the store does not exist; make it, for this user to write."
        )
    log = path.with_name(path.name + "-wal")
    if path.exists() and path.stat().st_size > 0:
        return
    if not path.exists() and not backups_of(path) and not (log.exists() and log.stat().st_size > 0):
        return
    if path.exists() and not backups_of(path) and not log.exists():
        raise StoreError(
            f"The store {path} is an empty file. If this garden is new, delete it and start again; "
            "else copy a backup to this name."
        )
    raise StoreError(f"The store {path} is missing or empty, but this garden had one. {how_to_restore(path)}")


def check_whole(engine: Engine, path: Path | None) -> None:
    """SQLite's own quick check. StoreError says how to restore."""
    with plain_errors(engine.url):
        try:
            with engine.connect() as plain:
                connection = plain.execution_options(reading=True)
                found = [row[0] for row in connection.execute(sa.text("PRAGMA quick_check(3)"))]
        except sa.exc.DatabaseError as error:
            if not any(sign in str(error.orig) for sign in DAMAGE_SIGNS):
                raise
            found = [str(error.orig)]
    if found != ["ok"]:
        advice = how_to_restore(path) if path is not None else "Restore a backup."
        raise StoreError(f"The store {engine.url.database} is damaged ({found[0]}). {advice}")


def backups_of(path: Path) -> list[Path]:
    """Backups beside the store, newest name first."""
    return sorted(path.parent.glob(f"{path.name}{BACKUP_MARK}*"), reverse=True)


def how_to_restore(path: Path) -> str:
    backups = backups_of(path)
    if not backups:
        return (
            f"No backup lies beside it. Set {path.name}, {path.name}-wal and {path.name}-shm aside; "
            "then copy a backup to this name, or start a new store and lose the history."
        )
    return (
        f"With the service stopped: set {path.name}, {path.name}-wal and {path.name}-shm aside, then "
        f"`cp {backups[0]} {path}`. What was written since that backup is lost, but for runs that the "
        "valve node has not told yet."
    )


def copy_to(engine: Engine, target: Path) -> None:
    """A consistent copy of a live store, whole under its name or not there at all."""
    half = target.with_name(target.name + ".half")
    half.unlink(missing_ok=True)
    try:
        with plain_errors(engine.url), engine.connect() as connection:
            source = connection.connection.driver_connection
            assert isinstance(source, sqlite3.Connection)
            copy = sqlite3.connect(half)
            try:
                source.backup(copy)
                # One file, no log beside it: it can be carried anywhere.
                copy.execute("PRAGMA journal_mode=DELETE")
            finally:
                copy.close()
        half.replace(target)
    except (sqlite3.Error, OSError) as error:
        half.unlink(missing_ok=True)
        raise StoreError(f"The store could not be copied to {target}: {error}.") from error
