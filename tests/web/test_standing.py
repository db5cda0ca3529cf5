"""What the page says of how things stand: hours by the clock, each alert by its own zone, advice that
still can be followed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import pytest

from scheduler.control.effects import Alert, RaiseAlert, RecordChoice
from scheduler.report.answers import StatusAlertAnswer
from scheduler.web.facts import Facts, Made
from scheduler.web.standing import _alert_words, standings
from tests.support.gardens import small_garden
from tests.support.page_garden import PageGarden
from tests.support.page_states import STATES

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
    assert _alert_words(facts, alert).startswith(told)


def _raised_for(page: PageGarden, zone: str) -> None:
    text = f"{page.site.name}: too low for {page.site.zone(zone).name}."
    page.store.write([RaiseAlert(Alert("out_of_reach", zone, text, "Top up.", False, page.now()))])


def _out_of_reach(facts: Facts) -> list[str]:
    return [s.sentence for s in standings(facts) if s.state == "out_of_reach"]


def test_an_alert_is_left_out_only_where_its_own_zone_is_told_of(tmp_path: Path) -> None:
    page = STATES["short"](tmp_path)  # thyme, in the bed, is not reached
    _raised_for(page, "bed")
    own = _out_of_reach(page.garden.look())
    _raised_for(page, "pots")
    both = _out_of_reach(page.garden.look())
    page.close()
    assert own == []
    assert both == ["Too low for Pots."]


def test_a_reserve_that_is_released_is_not_to_be_released(tmp_path: Path) -> None:
    page = STATES["empty"](tmp_path)
    page.store.write([RecordChoice("reserve", "released", "Ines", page.now())])
    (found,) = [s for s in standings(page.garden.look()) if s.state == "near_empty"]
    page.close()
    assert found.advice == "Top up (through an air gap)."
    # 2 cm in two drums of 58 cm: 2 * pi/4 * 5.8^2 * 0.2 dm3 = 10.6 L.
    assert found.sentence.startswith("The barrels are down into the reserve, which is released: 10.")
