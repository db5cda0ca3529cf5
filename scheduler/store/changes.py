"""Has anybody written? SQLite counts commits by other connections, so the question costs no query."""

from __future__ import annotations

import threading

from sqlalchemy.engine import Engine

from scheduler.store.engine import plain_errors


class ChangeWatch:
    """One connection of its own that only asks ``PRAGMA data_version``."""

    def __init__(self, engine: Engine) -> None:
        self._lock = threading.Lock()
        self._url = engine.url
        with plain_errors(engine.url):
            # Its own for good: handed to a writer by the pool, it would miss that writer's commits.
            self._fairy = engine.raw_connection()
            self._fairy.detach()
            self._cursor = self._fairy.cursor()
        self._version: int | None = None

    def changed(self) -> bool:
        with self._lock, plain_errors(self._url):
            self._cursor.execute("PRAGMA data_version")
            (version,) = self._cursor.fetchone() or (None,)
            changed = version != self._version
            self._version = version
            return changed

    def close(self) -> None:
        with self._lock:
            self._cursor.close()
            self._fairy.close()
