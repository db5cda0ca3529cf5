"""The report of some days, from a store into which the controller watered a virtual garden."""

from __future__ import annotations

import csv
import json
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.report.answers import ReportAnswer, ReportedDayAnswer, ReportedFaultAnswer
from scheduler.report.garden_report import leak_words
from scheduler.report.garden_report_page import report_page
from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.weather.weather_file import packaged_weather
from tests.support.lived_in import lived_in


def test_a_week_adds_up_on_the_page_in_the_tables_and_for_a_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    weather = packaged_weather("seattle-2012")
    garden = lived_in(
        example_site("five-drums"), weather, date(2012, 8, 1), until=date(2012, 8, 6), start_level_m=0.6
    )
    garden.live(date(2012, 8, 5), 12.0)
    page, tables = tmp_path / "week.html", tmp_path / "tables"
    words = ["report", "five-drums", "--from", "2012-08-01", "--to", "2012-08-04"]
    answer = json.loads(garden.says(*words, "--html", str(page), "--csv", str(tables), "--json"))
    assert answer["given_l"] == pytest.approx(sum(p["given_l"] for p in answer["plants"]))
    with (tables / "days.csv").open() as lines:
        days = list(csv.DictReader(lines))
    assert [d["date"] for d in days] == [f"2012-08-0{n}" for n in range(1, 5)]
    with (tables / "runs.csv").open() as lines:
        runs = sum(float(r["volume_l"]) for r in csv.DictReader(lines))
    assert sum(float(d["pots_l"]) + float(d["border_l"]) for d in days) == pytest.approx(runs, abs=0.05)
    text = page.read_text(encoding="utf-8")
    assert "<svg" in text and "Tomato by the door" in text
    assert not re.search(r"<script|<link|@import|src=", text)
    _told_once(garden.site, ReportAnswer.model_validate(answer))
    assert "nothing is known of" in garden.says(
        "report", "five-drums", "--from", "2011-01-01", "--to", "2011-01-02"
    )
    garden.store.close()


def _told_once(site: Site, answer: ReportAnswer) -> None:
    """A warning told again while it stood is one row; of another zone, or after it was over, another."""
    day = datetime(2012, 8, 2, 12, tzinfo=UTC)

    def fault(hours: int, subject: str, text: str, cleared: bool = False) -> ReportedFaultAnswer:
        at = day + timedelta(hours=hours)
        over = at + timedelta(hours=1) if cleared else None
        return ReportedFaultAnswer(at=at, cleared_at=over, kind="run_short", subject=subject, text=text)

    faults = [
        fault(0, "pots", f"{site.name}: little came."),
        fault(5, "border", f"{site.name}: nothing came."),
        fault(9, "pots", f"{site.name}: less came.", cleared=True),
        fault(20, "pots", f"{site.name}: little came again."),
    ]
    page = report_page(site, answer.model_copy(update={"faults": faults}))
    rows = re.findall(r"<td>((?:Little|Nothing|Less) came[^<]*)</td>", page)
    assert rows == ["Less came. Told 2 times, last so.", "Nothing came.", "Little came again."]
    assert page.count("still stands") == 2


def _with_leaks(*litres: float | None) -> ReportAnswer:
    days = [ReportedDayAnswer.model_construct(leak_l=leak_l) for leak_l in litres]
    return ReportAnswer.model_construct(days=days)


def test_a_leak_is_told_as_it_was_lately_and_a_mended_one_as_past() -> None:
    site = example_site("five-drums")
    assert leak_words(site, _with_leaks(None)).startswith("Whether there is a leak is not known")
    assert leak_words(site, _with_leaks(0.1, 0.2, None)) == "No leak shows while the valves are shut."
    growing = leak_words(site, _with_leaks(0.0, 0.0, 7.0, 7.0, 7.0))
    assert "about 7.0 L a day; 21.0 L ran away" in growing
    mended = leak_words(site, _with_leaks(*[7.0] * 25, *[0.0] * 5))
    assert mended == "No leak shows while the valves are shut now; 175 L ran away in these days before."
