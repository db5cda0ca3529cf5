"""The sheet of a season on the page says what the command says, in litres or in gallons."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from scheduler.control.effects import RecordDay, RecordWaterDay, RootZoneRecord
from scheduler.report import garden_report_page
from scheduler.report.answers import ReportAnswer
from scheduler.web import season_page
from tests.support.gardens import dry_days
from tests.support.page_garden import WHO, PageGarden, plain

# A US gallon is 3.785 411 784 L (NIST Handbook 44).
LITRE_PER_GALLON = 3.785411784


@pytest.fixture
def a_week(started: PageGarden) -> PageGarden:
    """Seven balanced days before today; the tomato used 5 L on each, rain brought 2 L of it."""
    for day in dry_days(started.now().date().replace(day=13), 7):
        roots = RootZoneRecord("tomato", day.day, 4.0, 3.0, 5.0, "test", 2.0, 3.5, 0.2)
        water = RecordWaterDay(day.day, 300.0, 290.0, 8.0, 2.0, 0.0, 0.0, 0.0, 0.0)
        started.store.write([RecordDay(day, (roots,)), water])
    return started


def words(page: PageGarden, query: str = "") -> str:
    answer = page.client.get(f"/weeks/season{query}")
    assert answer.status_code == 200
    return plain(answer.text)


def test_no_rain_at_all_is_called_none(started: PageGarden) -> None:
    for day in dry_days(started.now().date().replace(day=13), 7):
        roots = RootZoneRecord("tomato", day.day, 4.0, 3.0, 5.0, "test", 0.0, 3.5, 0.2)
        started.store.write([RecordDay(day, (roots,))])
    assert "Plants used 21.0 L; rain brought none of it, watering 24.5 L." in words(started, "?days=30")


def test_the_sums_and_each_plant_are_told(a_week: PageGarden) -> None:
    told = words(a_week, "?days=30")
    assert "7 days known." in told
    assert "Plants used 35.0 L; rain brought 14.0 L of it (40 %), watering 24.5 L." in told
    assert "taken by can 14.0 L" in told
    assert re.search(r"Tomato 35\.0 L 14\.0 L 24\.5 L 7", told)
    assert re.search(r"Sage not known not known not known not known", told)  # no day of it is balanced


def test_the_same_in_gallons(a_week: PageGarden) -> None:
    told = words(a_week, "?days=30&units=us")
    used = re.search(r"Plants used ([\d.]+) gal", told)
    assert used is not None
    assert float(used[1]) == pytest.approx(35.0 / LITRE_PER_GALLON, abs=0.05)
    assert not re.search(r"\d L\b", told)


def test_the_sheet_is_one_file_that_asks_nothing_of_any_network(a_week: PageGarden) -> None:
    answer = a_week.client.get("/weeks/season/sheet?days=7&units=us")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'attachment; filename="season-2012-07-13-2012-07-19.html"'
    assert not re.search(r"(src|href)=.https?:|<script|<link|@import|url\((?!#)", answer.text)
    assert " gal" in answer.text and "<svg" in answer.text


def test_before_the_first_whole_day_nothing_is_made_up(started: PageGarden, tmp_path: Path) -> None:
    assert "No whole day is in the books yet" in words(started)
    answer = started.client.get("/weeks/season/sheet")
    assert answer.status_code == 400 and "No whole day is in the books yet" in answer.text
    bare = PageGarden(tmp_path / "bare")
    (tmp_path / "bare").mkdir()
    bare.let_in()
    assert "No whole day is in the books yet" in words(bare)
    bare.close()


def test_it_is_worked_out_again_only_when_the_books_have_changed(
    a_week: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    done = season_page.report_answer
    monkeypatch.setattr(
        season_page, "report_answer", lambda *a, **k: made.append("report_answer") or done(*a, **k)
    )
    monkeypatch.setattr(
        garden_report_page, "report_page", lambda *_: made.append("report_page") or f"{len(made)}"
    )
    sheet = "/weeks/season/sheet?days=7&units=us"
    first = a_week.client.get(sheet).text
    words(a_week, "?days=7&units=us")
    assert a_week.client.get(sheet).text == first
    assert made == ["report_answer", "report_page"]
    words(a_week, "?days=7&units=metric")  # figures of other units are other figures
    assert made.count("report_answer") == 2
    # A day that is closed late, on the same day of the calendar.
    late = a_week.now().date()
    roots = RootZoneRecord("tomato", late, 4.0, 3.0, 5.0, "test", 0.0, 5.0, 0.0)
    a_week.store.write([RecordDay(dry_days(late, 1)[0], (roots,))])
    words(a_week, "?days=7&units=us")
    assert made.count("report_answer") == 3
    a_week.client.get(sheet)
    assert made.count("report_page") == 2


def test_what_people_tell_of_the_days_is_on_it_at_once(
    a_week: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(garden_report_page, "report_page", lambda _, answer: answer.model_dump_json())

    def care() -> list[tuple[str, str]]:
        answer = ReportAnswer.model_validate_json(a_week.client.get("/weeks/season/sheet?days=30").text)
        return [(c.who, c.step) for c in answer.care]

    assert care() == []
    a_week.tell("care", subject="filter", day="2012-07-18")
    assert care() == [(WHO, "filter")]
