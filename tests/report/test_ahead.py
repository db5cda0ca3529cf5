"""What the weeks ahead hold, asked of a store."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import (
    RecordCalibration,
    RecordChoice,
    RecordDay,
    RecordHandWater,
    RecordReading,
    RootZoneRecord,
)
from scheduler.report.ahead import _lasts, ahead_answer, ahead_words
from scheduler.report.answers import AheadAnswer, VisitAnswer
from scheduler.report.away import away_answer, away_words
from scheduler.report.status import status_answer, status_words
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.supply.stage import stage_storage
from scheduler.weather.weather_file import packaged_weather

SITE = example_site("five-drums")
NOW = datetime(2012, 8, 1, 15, 0, tzinfo=UTC)
TODAY = date(2012, 8, 1)


@pytest.fixture
def store(tmp_path: Path):  # type: ignore[no-untyped-def]
    with Store(store_url(tmp_path / "five-drums.db"), SITE.id) as opened:
        yield opened


def fill(store: Store, level_m: float, *, age: timedelta = timedelta(minutes=5)) -> None:
    at = NOW - age
    belief = LevelBelief("good", at, level_m, level_m - 0.01, level_m + 0.01)
    store.write([RecordReading(LevelReading(at, (5000,), 20.0), belief)])


def outlook() -> Outlook:
    days: tuple[DayWeather, ...] = tuple(
        d for d in packaged_weather("seattle-2012") if 0 <= (d.day - TODAY).days < 7
    )
    return Outlook(days, "test", NOW, "By Somebody (CC BY 4.0)")


def test_a_household_is_told_how_long_how_sure_and_how_much_to_top_up(store: Store) -> None:
    fill(store, 0.3)
    store.save_outlook(outlook())
    answer = ahead_answer(SITE, store, NOW, date(2012, 8, 21))
    assert answer.days_left_early is not None and answer.days_left_middle is not None
    assert answer.days_left_early <= answer.days_left_middle
    assert answer.top_up_l is not None and answer.top_up_l > 0.0
    text = "\n".join(ahead_words(SITE, answer))
    assert "Tuesday 21 August" in text
    assert "through an air gap" in text
    assert "no past years" in text
    # The terms of the services ask for their name beside what is shown, some for the time of fetching too.
    assert "Weather: test, fetched Wednesday 01 August 08:00 PDT. By Somebody (CC BY 4.0)" in text


def test_an_empty_store_is_told_what_to_top_up_now_and_nothing_that_contradicts_it(store: Store) -> None:
    fill(store, 0.05)
    store.save_outlook(outlook())
    days = RecordDay(
        DayWeather(TODAY - timedelta(days=1)),
        tuple(
            RootZoneRecord(p.id, TODAY - timedelta(days=1), 40.0, 1.0, 4.0, "test", 0.0, 0.0, 0.2)
            for p in SITE.plants
        ),
    )
    store.write([days])
    answer = ahead_answer(SITE, store, NOW, date(2012, 8, 10))
    assert answer.days_left_middle == 0 and answer.top_up_l
    text = "\n".join(ahead_words(SITE, answer))
    assert "top up" in text and "Nor does" not in text
    assert answer.visits is not None and answer.visits[0].day == TODAY
    assert answer.visits[0].at_once


def test_at_once_and_this_evening_are_told_apart(store: Store) -> None:
    fill(store, 0.05)
    store.save_outlook(outlook())
    answer = ahead_answer(SITE, store, NOW, date(2012, 8, 21))

    def said(*, at_once: bool) -> str:
        visits = [
            VisitAnswer(day=TODAY, volume_l=42.0, at_once=at_once),
            VisitAnswer(day=TODAY + timedelta(days=3), volume_l=30.0),
        ]
        return " ".join(ahead_words(SITE, answer.model_copy(update={"visits": visits, "top_up_l": 72.0})))

    lead = "Or as late as is safe, by a helper too: "
    assert f"{lead}now (Wednesday 01 August) 42 L, Saturday 04 August 30 L." in said(at_once=True)
    assert f"{lead}Wednesday 01 August 42 L, Saturday 04 August 30 L." in said(at_once=False)


def test_who_looks_in_is_told_what_cannot_wait_for_the_evening(store: Store) -> None:
    fill(store, 0.05)
    store.save_outlook(outlook())
    before = TODAY - timedelta(days=1)
    roots = (RootZoneRecord(p.id, before, 40.0, 1.0, 4.0, "test", 0.0, 0.0, 0.2) for p in SITE.plants)
    away = RecordChoice("away", f"{TODAY}/{TODAY + timedelta(days=9)}", "Ines", NOW)
    store.write([RecordDay(DayWeather(before), tuple(roots)), away])
    answer = away_answer(SITE, store, NOW)
    first, *later = [t for t in answer.tasks if t.task == "top_up"]
    assert first.day == TODAY and first.at_once and not any(t.at_once for t in later)
    assert re.search(r"today: Top up [\d.]+ L now: the hose ends", " ".join(away_words(answer)))


def test_water_given_by_hand_today_makes_the_store_last_no_shorter(store: Store) -> None:
    fill(store, 0.3)
    store.save_outlook(outlook())
    before = ahead_answer(SITE, store, NOW, date(2012, 8, 21))
    store.write([RecordHandWater(1, TODAY, NOW, "gave", "fig", 5.0, "Ines")])
    after = ahead_answer(SITE, store, NOW, date(2012, 8, 21))
    assert after.chance_through >= before.chance_through


def test_an_old_level_is_not_taken_for_now_and_no_weather_is_said(store: Store) -> None:
    fill(store, 0.3, age=timedelta(hours=7))
    with pytest.raises(UsageError, match="level of the water is not known"):
        ahead_answer(SITE, store, NOW, None)
    fill(store, 0.3)
    with pytest.raises(UsageError, match="no weather is known"):
        ahead_answer(SITE, store, NOW, None)


def test_a_level_measured_by_hand_serves_the_weeks_ahead_and_the_days_away(store: Store) -> None:
    """No sensor was ever heard; the status and the look ahead must not differ on whether a level is known."""
    store.save_outlook(outlook())
    store.write(
        [
            RecordCalibration(NOW - timedelta(hours=1), 0.0, 0.42, "Ines"),
            RecordChoice("away", f"{TODAY}/{TODAY + timedelta(days=5)}", "Ines", NOW),
        ]
    )
    status = status_answer(SITE, store, NOW, running=True)
    assert status.level_by_hand
    assert any("measured by hand at 07:00 PDT" in line for line in status_words(SITE, status))
    answer = ahead_answer(SITE, store, NOW, date(2012, 8, 21))
    assert answer.total_l == pytest.approx(status.total_l, abs=0.1)
    assert away_answer(SITE, store, NOW).lasts is not None


def test_of_a_sensor_and_a_person_the_newer_serves_the_weeks_ahead(store: Store) -> None:
    store.save_outlook(outlook())
    store.write([RecordCalibration(NOW - timedelta(hours=1), 0.0, 0.42, "Ines")])
    fill(store, 0.3)
    stage = stage_storage(SITE.tank)
    assert ahead_answer(SITE, store, NOW, None).total_l == pytest.approx(stage.volume_l(0.3), abs=0.1)


def test_rain_is_told_by_what_the_roof_brings_and_without_a_roof_as_none(store: Store) -> None:
    fill(store, 0.3)
    store.save_outlook(outlook())
    answer = ahead_answer(SITE, store, NOW, date(2012, 8, 21))
    dry = " ".join(ahead_words(SITE, answer.model_copy(update={"rain_gives_middle_l": 0.0})))
    assert "The roof brings nothing to speak of through" in dry
    bare = " ".join(ahead_words(replace(SITE, roof=None), answer))
    assert "Rain fills no barrel here: the site file has no roof." in bare


def _lasting(early: int | None, middle: int | None, late: int | None) -> str:
    answer = AheadAnswer.model_construct(
        today=TODAY, days_left_early=early, days_left_middle=middle, days_left_late=late, horizon_days=45
    )
    return _lasts(answer)


def test_days_alike_from_one_of_ten_to_nine_of_ten_are_not_all_ways() -> None:
    assert _lasting(3, 3, 3) == "It runs short about Saturday 04 August in at least eight of ten ways."


def test_what_lasts_beyond_what_can_be_foreseen_does_not_run_short_by_then() -> None:
    told = "in one of ten cases by Saturday 04 August, in another it lasts beyond 15 September."
    assert _lasting(3, 9, None) == f"It runs short about Friday 10 August; {told}"
    assert _lasting(3, 9, 20).endswith("in nine of ten by Tuesday 21 August.")
