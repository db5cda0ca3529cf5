"""A word on the terminal while a command works in silence; gone when the command has something to say."""

from __future__ import annotations

import sys
import threading
from typing import TextIO

# A second without a word is where people begin to wonder (common practice, no source).
SILENT_S = 1.0
WORDS = "Working it out ..."


class Waiting:
    """Shows ``WORDS`` once the silence lasts, where ``out`` is a terminal; nothing elsewhere."""

    def __init__(self, out: TextIO, silent_s: float = SILENT_S) -> None:
        self._out = out
        self._lock = threading.Lock()
        self._shown = self._over = False
        self._timer = threading.Timer(silent_s, self.show)
        self._timer.daemon = True

    def begin(self) -> None:
        if self._out.isatty():
            self._timer.start()

    def show(self) -> None:
        with self._lock:
            if not self._over:
                self._shown = True
                self._out.write(WORDS)
                self._out.flush()

    def end(self) -> None:
        """Before the first output, and when the command is over; safe to call again."""
        self._timer.cancel()
        with self._lock:
            if self._shown and not self._over:
                self._out.write("\r" + " " * len(WORDS) + "\r")
                self._out.flush()
            self._over = True


_now: Waiting | None = None


def begin() -> None:
    """From now on the running command is one that may be silent for a while."""
    global _now
    _now = Waiting(sys.stderr)
    _now.begin()


def end() -> None:
    if _now is not None:
        _now.end()
