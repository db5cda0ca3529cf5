"""A leak has a line of its own: how much a day, since when, what to do; and not known is not none."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import RecordPlan, RecordReading, RecordWaterDay
from scheduler.planning.plan import Plan, StoreOutlook
from scheduler.report.ahead import known_leak_l
from scheduler.report.answers import ReportAnswer, ReportedDayAnswer
from scheduler.report.leak import KNOWN_DAYS, LOOK_FOR_IT, leak_answer, leak_words, leaked_words
from scheduler.report.status import status_answer, status_words
from scheduler.sensing.belief import LevelBelief
from scheduler.sensing.level import LevelReading
from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url

SITE = example_site("five-drums")
TODAY = date(2012, 8, 16)  # a Thursday
NOW = datetime(2012, 8, 16, 20, tzinfo=UTC)
NOT_KNOWN = "whether there is one is not known; it takes some dry nights at rest to see."


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(store_url(tmp_path / "five-drums.db"), SITE.id) as opened:
        yield opened


def planned(store: Store, l_day: Mapping[int, float], sd_l: float | None = 1.3) -> None:
    """Plans of so many days ago, each with the leak that it counts on."""
    for ago in sorted(l_day, reverse=True):
        outlook = StoreOutlook(400.0, 500.0, 10, 14, 20, 60, leak_l=l_day[ago], leak_sd_l=sd_l)
        day = TODAY - timedelta(days=ago)
        store.write([RecordPlan(Plan(day, NOW - timedelta(days=ago), (), (), (), outlook))])


def night(store: Store, ago: int, leak_l: float | None) -> None:
    store.write([RecordWaterDay(TODAY - timedelta(days=ago), None, None, 0.0, 0.0, 0.0, leak_l)])


def said(store: Store, site: Site = SITE) -> str:
    lines = status_words(site, status_answer(site, store, NOW, running=True))
    (line,) = [line for line in lines if line.startswith("Leak: ")]
    return line.removeprefix("Leak: ")


def test_a_known_leak_is_told_with_its_litres_a_day_since_when_and_what_to_do(store: Store) -> None:
    planned(store, {5: 0.0, 4: 6.0, 2: 7.1, 0: 7.2})  # the day without a plan says nothing
    answer = leak_answer(store, TODAY)
    assert answer is not None
    assert (answer.l_day, answer.since, answer.or_earlier) == (7.2, date(2012, 8, 12), False)
    assert said(store) == (
        "about 7 L a day while the valves are shut, known since Sunday 12 August and counted in how long "
        f"the water lasts. {LOOK_FOR_IT}"
    )


def test_it_is_told_in_the_garden_s_own_units(store: Store) -> None:
    planned(store, {0: 3.785411784})  # a US gallon, NIST Handbook 44 Appendix C
    assert said(store, replace(SITE, units="us")).startswith("about 1.0 gal a day")


def test_a_leak_that_ended_and_came_back_is_known_since_it_came_back(store: Store) -> None:
    planned(store, {6: 7.0, 5: 0.0, 1: 7.0, 0: 7.0})
    answer = leak_answer(store, TODAY)
    assert answer is not None and answer.since == TODAY - timedelta(days=1)


def test_the_newest_plan_of_a_day_says_its_leak(store: Store) -> None:
    planned(store, {1: 7.0})
    planned(store, {0: 7.0})
    planned(store, {0: 0.0})
    night(store, 1, 0.2)
    answer = leak_answer(store, TODAY)
    assert answer is not None and (answer.l_day, answer.since) == (0.0, None)
    assert known_leak_l(store, TODAY) == 0.0


def test_one_older_than_is_looked_at_is_known_for_so_many_days_or_more(store: Store) -> None:
    planned(store, dict.fromkeys(range(KNOWN_DAYS + 3), 7.0))
    answer = leak_answer(store, TODAY)
    assert answer is not None and answer.or_earlier
    assert "known for 30 days or more and" in said(store)


def test_without_a_plan_or_a_night_of_rest_it_is_not_known(store: Store) -> None:
    assert leak_answer(store, TODAY) is None
    planned(store, {0: 0.0})
    assert leak_answer(store, TODAY) is None
    night(store, 1, None)
    assert leak_answer(store, TODAY) is None
    assert said(store) == NOT_KNOWN


def test_what_nights_show_and_no_plan_is_sure_of_is_neither_a_leak_nor_none(store: Store) -> None:
    planned(store, {0: 0.0})
    night(store, 1, 5.0)
    assert leak_answer(store, TODAY) is None
    assert said(store) == NOT_KNOWN


def test_where_nights_of_rest_show_none_that_is_told(store: Store) -> None:
    planned(store, {0: 0.0})
    night(store, 1, -0.4)
    answer = leak_answer(store, TODAY)
    assert answer is not None and (answer.l_day, answer.since) == (0.0, None)
    # What nights see, and two sd of it, by hand: -0.4 + 2 * 1.3 = 2.2.
    assert answer.below_l_day == pytest.approx(2.2)
    assert said(store) == "none of 2 L a day or more shows."


def test_none_is_told_no_finer_than_nights_can_see(store: Store) -> None:
    night(store, 1, 0.9)
    planned(store, {0: 0.0}, sd_l=2.4)
    assert said(store) == "none of 6 L a day or more shows."
    planned(store, {0: 0.0}, sd_l=0.01)
    assert said(store) == "none of 1 L a day or more shows."
    planned(store, {0: 0.0}, sd_l=None)
    assert said(store) == NOT_KNOWN


def test_a_plan_of_a_week_ago_tells_of_no_leak_now(store: Store) -> None:
    planned(store, {9: 7.0, 8: 7.0})
    assert leak_answer(store, TODAY) is None
    assert known_leak_l(store, TODAY) == 0.0


def test_without_a_sensor_it_is_said_that_nothing_shows_it(store: Store) -> None:
    blind = replace(SITE, sensor=None)
    answer = status_answer(blind, store, NOW, running=True)
    words, advice = leak_words(blind, answer, TODAY)
    assert (words, advice) == ("whether there is one is not known, for no sensor reads the level.", "")


def test_over_empty_barrels_no_rate_is_told_as_present(store: Store) -> None:
    """Below the outlet nothing drains; a level that cannot be told from it is taken as that."""
    planned(store, {4: 7.2, 0: 7.2})
    at = NOW - timedelta(minutes=10)
    for level_m, takes in ((0.4, True), (0.004, False)):
        belief = LevelBelief("good", at, level_m, level_m - 0.01, level_m + 0.01)
        store.write([RecordReading(LevelReading(at, (5000,), 20.0), belief)])
        assert ("while the valves are shut" in said(store)) is takes
        at += timedelta(minutes=5)
    assert said(store) == (
        "about 7 L a day has been known since Sunday 12 August; the barrels stand empty, or nearly, and "
        f"nothing leaks from empty barrels. {LOOK_FOR_IT}"
    )


def test_status_weeks_and_the_weeks_ahead_tell_one_figure(store: Store) -> None:
    """It is what the newest plan counts on, whatever single nights showed (10 L)."""
    planned(store, {1: 6.1, 0: 6.2})
    days = [ReportedDayAnswer.model_construct(leak_l=10.0, leak_l_day=10.0)] * 3
    status = status_answer(SITE, store, NOW, running=True)
    gone = leaked_words(SITE, status, ReportAnswer.model_construct(days=days), TODAY)
    assert re.findall(r"about (\d+) L a day", gone + said(store)) == ["6", "6"]
    assert known_leak_l(store, TODAY) == 6.2  # which the weeks ahead count in
