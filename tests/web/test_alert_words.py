"""Hours ago are told by the clock of then, and with its day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import cast
from zoneinfo import ZoneInfo

import pytest

from scheduler.report.answers import StatusAlertAnswer
from scheduler.web.alert_words import alert_words
from scheduler.web.facts import Facts, Made
from tests.support.gardens import small_garden

NEW_YORK = ZoneInfo("America/New_York")


@pytest.mark.parametrize(
    ("year_month_day", "hour", "ago", "told"),
    [
        # Clocks go forward on the second Sunday of March and back on the first of November, at 2 a.m. (15
        # U.S.C. 260a). 04:30 EDT is 08:30 UTC, 3 h before it is 05:30 UTC or 00:30 EST. 04:30 EST is 09:30
        # UTC, 3 h before it is the second 01:30 (EST), 4 h before it the first (EDT).
        ((2026, 3, 8), 4, "3 h ago", "About 00:30 the"),
        ((2026, 3, 8), 4, "5 h ago", "About 22:30 yesterday the"),
        ((2026, 11, 1), 4, "3 h ago", "About 01:30 the"),
        ((2026, 11, 1), 4, "4 h ago", "About 01:30 the"),
        ((2026, 7, 2), 0, "40 min ago", "About 23:50 yesterday the"),
        ((2026, 7, 2), 0, "30 h ago", "About 18:30 on Tuesday 30 June the"),
        ((2026, 7, 2), 9, "2 h ago", "About 07:30 the"),
    ],
)
def test_hours_ago_are_told_by_the_clock_of_then(
    year_month_day: tuple[int, int, int], hour: int, ago: str, told: str
) -> None:
    since = datetime(*year_month_day, hour, 30, tzinfo=NEW_YORK).astimezone(UTC)
    site = small_garden()
    site = replace(site, place=replace(site.place, timezone=NEW_YORK))
    facts = Facts(site, since + timedelta(hours=1), cast(Made, None), running=True)  # no hydraulics asked
    alert = StatusAlertAnswer(
        kind="level_jump", subject="", since=since, text=f"{site.name}: {ago} the level fell.", advice=""
    )
    assert alert_words(facts, alert).startswith(told)
