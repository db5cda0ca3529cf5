"""Hindsight over the measured Seattle summers (NOAA daily data, public domain, `vega_datasets`)."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.agronomy.weather import DayWeather
from scheduler.cli.main import app
from scheduler.report.hindsight import hindsight_answer, hindsight_rows, hindsight_words
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from tests.hindcast.places import seattle

SITE = example_site("five-drums")


@pytest.fixture(scope="module")
def past() -> tuple[DayWeather, ...]:
    return seattle()


def test_one_barrel_more_helps_in_every_summer_and_a_roof_cannot_fill_a_dry_one(
    past: tuple[DayWeather, ...],
) -> None:
    answer = hindsight_answer(SITE, past)
    as_is, barrel, two, roof, _ = answer.gardens
    assert [s.first for s in as_is.summers] == [date(year, 5, 1) for year in (2012, 2013, 2014, 2015)]
    assert all(s.last == date(s.first.year, 9, 30) for s in as_is.summers)
    for before, more in zip(as_is.summers, barrel.summers, strict=True):
        assert more.wanted_l == pytest.approx(before.wanted_l, rel=0.01)
        assert before.short_l == 0.0 or more.short_l < before.short_l
        # A drum of 208 L full at the start saves at most what it holds and what it catches of the overflow.
        assert before.short_l - more.short_l <= 208.0 + before.overflow_l
    for one, more in zip(barrel.summers, two.summers, strict=True):
        assert more.short_l <= one.short_l and one.short_l - more.short_l <= 208.0 + one.overflow_l
    for before, more in zip(as_is.summers, roof.summers, strict=True):
        assert more.caught_l == pytest.approx(1.5 * before.caught_l)
        assert more.short_l <= before.short_l
    _, rows = hindsight_rows(SITE, answer)
    assert [row[0] for row in rows] == [
        "as it is",
        "one barrel more",
        "2 barrels more",
        "roof of 18.0 m2",
        "stand 30.0 cm higher",
    ]
    assert any("Most would have helped" in line for line in hindsight_words(SITE, answer))
    assert "no leak" in hindsight_words(SITE, answer)[0]


def test_without_a_past_summer_it_says_how_to_name_one() -> None:
    with pytest.raises(UsageError, match="--past seattle-2012"):
        hindsight_answer(SITE, ())


def test_the_garden_s_own_weather_file_is_past_enough(past: tuple[DayWeather, ...], tmp_path: Path) -> None:
    rows = [f"{d.day},{d.tmin_c},{d.tmax_c},{d.rain_mm}" for d in past]
    (tmp_path / "years.csv").write_text("\n".join(["date,tmin_c,tmax_c,rain_mm", *rows]))
    own = replace(SITE, forecast=replace(SITE.forecast, path=tmp_path / "years.csv"))
    answer = hindsight_answer(own, ())
    assert [s.first.year for s in answer.gardens[0].summers] == [2012, 2013, 2014, 2015]


def test_the_command_tries_a_change_of_ones_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    words = ["hindsight", "five-drums", "--past", "seattle-2012", "--change", "add 2 barrels"]
    answer = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)
    assert [g["change"] for g in answer["gardens"]] == [None, "add 2 barrels"]
    assert "days short" in CliRunner().invoke(app, words).stdout
    refused = CliRunner().invoke(
        app, ["hindsight", "five-drums", "--past", "seattle-2012", "--change", "dig"]
    )
    assert isinstance(refused.exception, UsageError)
