"""New stores copied from one that was made in earnest: Alembic in a process of its own, as the service starts
it, takes more than a second of a processor, and hundreds of tests begin with a new store.

Stores of an older version are brought up to date in earnest, and so are those of the daemon where it is a
process of its own (tests/service).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from scheduler.store.engine import sqlite_path


class StoresMadeOnce:
    """In place of ``migrate_apart``, which is ``make``; the first new store is kept in ``folder``."""

    def __init__(self, make: Callable[[str], None], folder: Path) -> None:
        self._make = make
        self._first = folder / "new.db"

    def __call__(self, url: str) -> None:
        path = sqlite_path(url)
        if path is None or not _is_new(path):
            self._make(url)
            return
        if not self._first.exists():
            self._make(url)
            _copy(path, self._first)
            return
        _copy(self._first, path)


def _is_new(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as file:
        return file.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)


def _copy(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(source)) as whole, closing(sqlite3.connect(target)) as copy:
        copy.execute(f"PRAGMA page_size={whole.execute('PRAGMA page_size').fetchone()[0]}")
        whole.backup(copy)
