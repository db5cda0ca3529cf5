"""The one clock of the commands."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo


def now() -> datetime:
    """This moment, UTC."""
    return datetime.now(UTC)


def today(zone: ZoneInfo) -> date:
    """The garden's local day."""
    return now().astimezone(zone).date()
