"""The readable log: one line each, in the garden's local time with its zone, plain words, on stderr."""

from __future__ import annotations

import logging
import sys
from datetime import UTC, datetime
from typing import TextIO
from zoneinfo import ZoneInfo

# These say much that helps nobody in a garden.
QUIET = ("apscheduler", "paho", "urllib3", "alembic", "sqlalchemy", "apprise", "asyncio")


class PlainLine(logging.Formatter):
    """``2026-07-03 06:30:00 CEST  text``; a level is named from warning upwards. Never more than one line
    unless there is a traceback."""

    def __init__(self, zone: ZoneInfo) -> None:
        super().__init__()
        self._zone = zone

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).astimezone(self._zone)
        level = f"{record.levelname.lower()}: " if record.levelno >= logging.WARNING else ""
        text = " ".join(record.getMessage().split())
        line = f"{at:%Y-%m-%d %H:%M:%S %Z}  {level}{text}"
        return f"{line}\n{self.formatException(record.exc_info)}" if record.exc_info else line


def set_up_log(zone: ZoneInfo, *, level: int = logging.INFO, stream: TextIO | None = None) -> None:
    """Replace whatever handlers there are; for the process of a service only."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(PlainLine(zone))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    for name in QUIET:
        logging.getLogger(name).setLevel(logging.WARNING)
