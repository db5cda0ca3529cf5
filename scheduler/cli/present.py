"""The one clock of the commands."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from scheduler.service.practised import practice_ended


def now() -> datetime:
    """This moment, UTC; of a practice that was kept, the moment at which it ended."""
    return practice_ended() or datetime.now(UTC)


def real_now() -> datetime:
    """This moment, UTC, whatever is looked at."""
    return datetime.now(UTC)


def today(zone: ZoneInfo) -> date:
    """The garden's local day."""
    return now().astimezone(zone).date()
