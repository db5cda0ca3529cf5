"""The page of the weeks says what the commands say: whether the water lasts, when to drain, who stood short,
where water went, whether a filter clogs, and what more barrels would have done."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import RecordDay
from scheduler.weather.weather_file import packaged_weather
from tests.support.lived_in import LivedIn, dry_summer
from tests.support.page_garden import PageGarden, heading, plain

# Lived in for a week, with the weather of the weeks before in the books.
REMEMBERED, FIRST, EVENING = date(2012, 7, 1), date(2012, 8, 3), date(2012, 8, 11)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("weeks")


@pytest.fixture(scope="module")
def lived(folder: Path) -> Iterator[LivedIn]:
    """A week of the dry summer of 2012, to the evening of 11 August; the barrels half full at its start."""
    with dry_summer(folder, FIRST, EVENING, date(2012, 8, 25), start_level_m=0.5) as made:
        before = [d for d in packaged_weather("seattle-2012") if REMEMBERED <= d.day < FIRST]
        made.store.write([RecordDay(day, ()) for day in before])
        yield made


@pytest.fixture(scope="module")
def weeks(lived: LivedIn, folder: Path) -> Iterator[PageGarden]:
    """The page over that garden's own store, at the same hour."""
    found = PageGarden(folder, site=lived.site)
    found.serve()
    found.hands.ahead = lived.now - found.driver.now.wall
    found.let_in()
    yield found
    found.close()


def words(page: PageGarden, path: str = "/weeks") -> str:
    answer = page.client.get(path)
    assert answer.status_code == 200, path
    return plain(answer.text)


def said(lived: LivedIn, *command: str) -> list[str]:
    """The sentences of a command that point to no other command."""
    text = " ".join(lived.says(*command).split())
    return [s for s in re.split(r"(?<=\.) (?=[A-Z])", text) if "fallinghead" not in s and "--" not in s]


def test_it_says_how_long_the_water_lasts_as_the_command_does(lived: LivedIn, weeks: PageGarden) -> None:
    sentences = said(lived, "ahead", "--site", "five-drums")
    assert len(sentences) >= 5
    told = words(weeks)
    for sentence in sentences:
        assert sentence.removeprefix(f"{lived.site.name}: ") in told, sentence
    assert "fallinghead" not in told


def test_it_says_what_to_top_up_for_the_day_that_is_asked(lived: LivedIn, weeks: PageGarden) -> None:
    told = words(weeks, "/weeks?until=2012-09-05")
    for sentence in said(lived, "ahead", "--until", "2012-09-05", "--site", "five-drums"):
        assert sentence.removeprefix(f"{lived.site.name}: ") in told, sentence
    assert "Wednesday 05 September" in told and re.search(r"top up [\d.]+ L now", told)


@pytest.mark.parametrize(
    ("day", "answer"),
    [
        ("2012-08-01", "That day is over; choose one to come."),
        ("2013-08-01", "So far nobody sees: choose a day up to"),
        ("soon", "choose a day."),
    ],
)
def test_a_day_that_cannot_be_asked_is_refused_in_words(weeks: PageGarden, day: str, answer: str) -> None:
    assert answer in words(weeks, f"/weeks?until={day}")


def test_it_says_which_plants_stood_short_and_on_how_many_days(lived: LivedIn, weeks: PageGarden) -> None:
    told = words(weeks)
    for sentence in lived.says("litres", "--site", "five-drums").splitlines()[-1:]:
        assert plain(sentence) in told
    for plant in lived.site.plants:
        assert plant.name in told
    assert "Which plants stood short in the last 30 days?" in told
    assert "Which plants stood short in the last 7 days?" in words(weeks, "/weeks?days=7")
    assert "Which plants stood short in the last 30 days?" in words(weeks, "/weeks?days=9999")


def test_it_says_where_water_went_and_how_each_zone_flows(lived: LivedIn, weeks: PageGarden) -> None:
    told = words(weeks)
    first, last = "2012-07-12", "2012-08-10"
    report = said(lived, "report", "five-drums", "--from", first, "--to", last)
    assert any(s.startswith("The roof brought") for s in report)
    for sentence in report:
        if sentence.startswith(("Plants used", "The roof brought")):
            assert sentence in told
    # The virtual garden loses 0.3 L an hour at its outlet fitting, day and night: 7.2 L a day.
    leak = re.search(r"A leak takes about ([\d.]+) L a day", told)
    assert leak is not None and float(leak[1]) == pytest.approx(24 * 0.3, rel=0.25)
    drift = " ".join(lived.says("drift", "five-drums").split())
    for zone in lived.site.zones:
        line = re.search(rf"{re.escape(zone.name)}: .*?(?:proven runs|to tell)\.", drift)
        assert line is not None and line[0] in told


def test_it_says_when_to_drain_by_the_forecast(lived: LivedIn, weeks: PageGarden) -> None:
    told = words(weeks)
    for sentence in said(lived, "winter", "--site", "five-drums")[1:]:
        assert sentence.split(";")[0].rstrip(".") in told, sentence
    assert "turn the downspout away" in told


def test_a_day_says_how_much_longer_than_a_week_ago_and_why(lived: LivedIn, weeks: PageGarden) -> None:
    why = json.loads(lived.says("why", "pots", "--on", "2012-08-11", "--site", "five-drums", "--json"))
    compared = why["zones"][0]["compared"]
    more_s = compared["after_s"] - compared["before_s"]
    assert abs(more_s) > 60.0
    told = words(weeks, "/day/2012-08-11")
    assert "Booked to plants: " in told
    assert "Drawn by runs is what left the barrels" in words(weeks, "/day/2012-08-10")
    longer = "longer" if more_s > 0 else "shorter"
    found = re.search(rf"(\d+) (min|s) {longer} than the \d+ min of \w+day \d\d \w+: ", told)
    assert found is not None
    assert float(found[1]) * {"min": 60, "s": 1}[found[2]] == pytest.approx(abs(more_s), abs=30.5)
    assert all(c["text"] in told for c in compared["causes"] if abs(c["change_s"]) >= 30.0)


def test_two_more_barrels_are_tried_in_the_summers_that_it_remembers(
    lived: LivedIn, weeks: PageGarden
) -> None:
    told = words(weeks, "/weeks/what-if")
    assert "2 barrels more" in told and "as it is" in told
    for sentence in said(lived, "hindsight", "five-drums"):
        if sentence.startswith(("Most would", "The barrels never", "None of these", "Little or nothing")):
            assert sentence in told


def test_without_a_level_it_is_said_to_be_not_known(started: PageGarden) -> None:
    started.driver.node.level_m = None
    started.driver.wait(7 * 3600, every_s=600)
    started.hear()
    told = words(started)
    assert "Not known, for the level is not known. Tell a measured level" in told
    assert not re.search(r"top up [\d.]+ L", told)


def test_on_the_first_day_nothing_is_made_up(started: PageGarden) -> None:
    told = words(started)
    assert "No whole day is in the books yet" in told and "No day is balanced yet" in told
    assert "No day is closed yet" in told
    assert "Not known yet. It takes 30 days in a row of a summer" in words(started, "/weeks/what-if")


def test_before_the_service_has_run_there_is_nothing_to_say(tmp_path: Path) -> None:
    bare = PageGarden(tmp_path)
    bare.let_in()
    assert heading(bare.client.get("/weeks").text) == "Nothing is known of this garden yet"
    assert "nothing is in the books" in words(bare, "/weeks/what-if")
    bare.close()


def test_of_a_drained_garden_it_is_said_that_nothing_is_used(started: PageGarden) -> None:
    started.driver.node.level_m = None
    started.tell("winter")
    started.driver.wait(8 * 3600.0, every_s=900.0)
    started.hear()
    told = words(started)
    assert "Nothing is used until the garden is brought back." in told
    assert "Drained for the winter since today" in told


def test_frost_that_is_forecast_is_told_with_its_day(started: PageGarden) -> None:
    outlook = started.store.last_outlook()
    assert outlook is not None
    night = started.now().date() + timedelta(days=2)
    days = tuple(replace(d, tmin_c=-2.0) if d.day == night else d for d in outlook.days)
    assert any(isinstance(d, DayWeather) and d.day == night for d in days)
    started.store.save_outlook(replace(outlook, days=days))
    assert f"Frost is forecast for {night:%A} {night.day} {night:%B}" in words(started)


def test_no_page_sends_a_person_with_a_phone_to_a_command(weeks: PageGarden) -> None:
    plant = weeks.site.plants[0].id
    for path in ("/", f"/plant/{plant}", "/day", "/weeks", "/weeks/what-if", "/tell", "/care", "/away"):
        assert "fallinghead" not in words(weeks, path), path


def test_a_new_forecast_is_worked_out_at_once(lived: LivedIn, weeks: PageGarden) -> None:
    before, outlook = words(weeks), lived.store.last_outlook()
    assert outlook is not None
    wet = tuple(replace(d, rain_mm=25.0, rain_probability=1.0) for d in outlook.days)
    try:
        lived.store.save_outlook(
            replace(outlook, days=wet, fetched_at=outlook.fetched_at + timedelta(minutes=1))
        )
        after = words(weeks)
    finally:
        lived.store.save_outlook(outlook)
    # A known leak ends the wet garden's water too, but later.
    first, later = (re.search(r"runs short about \w+ (\d+ \w+)", text) for text in (before, after))
    assert first is not None
    days = [
        datetime.strptime(f"{found[1]} 2012 Z", "%d %B %Y %z")
        for found in (first, later)
        if found is not None
    ]
    assert len(days) == 1 or days[1] > days[0]
