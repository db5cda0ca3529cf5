"""A word on the terminal while a command works in silence; gone when the command has something to say."""

from __future__ import annotations

import signal
import sys
from typing import TextIO

# A second without a word is where people begin to wonder (common practice, no source).
SILENT_S = 1.0
WORDS = "Working it out ..."


class Waiting:
    """Shows ``WORDS`` once the silence lasts, where ``out`` is a terminal; nothing elsewhere.

    By the alarm signal, not by a thread: a process with threads cannot be copied (``report/beside.py``).
    """

    def __init__(self, out: TextIO, silent_s: float = SILENT_S) -> None:
        self._out = out
        self._silent_s = silent_s
        self._shown = self._over = False

    def begin(self) -> None:
        if self._out.isatty():
            signal.signal(signal.SIGALRM, lambda *_: self.show())
            signal.setitimer(signal.ITIMER_REAL, self._silent_s)

    def show(self) -> None:
        if not self._over:
            self._shown = True
            self._out.write(WORDS)
            self._out.flush()

    def end(self) -> None:
        """Before the first output, and when the command is over; safe to call again."""
        if self._over:
            return
        self._over = True
        if self._out.isatty():
            signal.setitimer(signal.ITIMER_REAL, 0.0)
        if self._shown:
            self._out.write("\r" + " " * len(WORDS) + "\r")
            self._out.flush()


_now: Waiting | None = None


def begin() -> None:
    """From now on the running command is one that may be silent for a while."""
    global _now
    _now = Waiting(sys.stderr)
    _now.begin()


def end() -> None:
    if _now is not None:
        _now.end()
