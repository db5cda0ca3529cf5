"""The commands of a short store, in a garden that was lived in: real controller, store and commands."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.control.choosing import choices_of
from scheduler.planning.choices import WAYS, Choices
from scheduler.report.answers import RationAnswer
from scheduler.report.rationing import ration_rows, ration_words
from scheduler.site.examples import example_site
from tests.support.lived_in import LivedIn, dry_summer

SITE = example_site("five-drums")
PLANTS = {p.id: p for p in SITE.plants}


def plain(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivedIn]:
    """Three days of the dry summer of 2012 from barrels a quarter full."""
    folder = tmp_path_factory.mktemp("lived-in")
    with dry_summer(folder, date(2012, 7, 31), date(2012, 8, 2), date(2012, 8, 8)) as made:
        yield made


def ration(garden: LivedIn) -> dict:  # type: ignore[type-arg]
    return json.loads(garden.says("ration", "--site", "five-drums", "--json"))  # type: ignore[no-any-return]


def test_every_way_says_who_gets_how_much_what_is_at_risk_and_until_when(garden: LivedIn) -> None:
    answer = ration(garden)
    assert answer["short"] and answer["chosen"] == answer["default"] == "ranked" and not answer["asked"]
    assert [w["way"] for w in answer["ways"]] == list(WAYS)
    for way in answer["ways"]:
        assert {p["id"] for p in way["plants"]} == set(PLANTS)
        # No way gives what is not there: the usable water, and what the roof may bring.
        assert way["given_l"] <= answer["usable_l"] + 12.0 * 0.85 * 60.0
    ranked, first, alike = answer["ways"]
    assert {p["id"] for p in first["plants"] if p["given_l"] > 0.0} <= {
        p.id for p in SITE.plants if SITE.zone_of(p.id).id == SITE.zone_of("fig").id
    }
    assert any(p["at_risk_from"] for p in first["plants"] if p["id"].startswith("tomato"))
    assert alike["last_day"] is not None and alike["last_day"] < answer["through"]
    assert ranked["stress"] <= min(first["stress"], alike["stress"]) + 0.02
    said = plain(garden.says("ration", "--site", "five-drums"))
    assert "runs short about" in said and "At risk:" in said and "runs if nobody chooses" in said
    assert "fallinghead ration --choose first-rank or alike" in said


def test_litres_of_days_to_come_are_whole_and_what_comes_out_of_the_soil_is_told(garden: LivedIn) -> None:
    answer = ration(garden)
    said = plain(garden.says("ration", "--site", "five-drums"))
    assert re.search(r"\d L are given and about \d+ L come out of the soil", said)
    assert "what is not given of it comes out of its soil" in said
    for way in answer["ways"]:
        for plant in way["plants"]:
            missed_l = plant["missed_share"] * plant["wanted_l"]
            # Each is rounded to 1 L, and the missed share is of all its use.
            assert plant["given_l"] + plant["from_soil_l"] + missed_l >= plant["wanted_l"] - 2.0
    columns, rows = ration_rows(SITE, RationAnswer.model_validate(answer))
    assert [c[0] for c in columns[:3]] == ["plant", "rank", "wants"]
    assert all(re.fullmatch(r"\d+ L(, \d\d \w+)?", cell) for row in rows for cell in row[2:])


def test_where_water_is_not_short_no_way_is_said_to_hold(garden: LivedIn) -> None:
    answer = RationAnswer.model_validate(ration(garden)).model_copy(update={"short": False})
    lines = ration_words(SITE, answer)
    said = " ".join(lines)
    assert "none is held back. Once it is short it is spent in one of these ways" in said
    assert "This would hold" in said and "This holds now" not in said
    # Litres of a way that is not followed would speak against it.
    assert [way for way in WAYS if any(line.startswith(f"{way}: ") for line in lines)] == list(WAYS)
    assert not any(word in said for word in (" are given", "come out of the soil", "At risk", "Wanted is"))


def test_a_way_that_gives_nothing_neither_lasts_nor_ends(garden: LivedIn) -> None:
    answer = RationAnswer.model_validate(ration(garden))
    ways = [w.model_copy(update={"given_l": 0.0, "last_day": None}) for w in answer.ways]
    lines = ration_words(SITE, answer.model_copy(update={"ways": ways}))
    told = [line for line in lines if line.startswith(tuple(f"{way}: " for way in WAYS))]
    assert len(told) == len(WAYS) and all("Nothing is given" in line for line in told)
    assert not any("lasts through" in line or "what this way gives" in line for line in told)


def test_where_water_is_not_short_no_table_of_ways_is_shown(
    garden: LivedIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    heading = "in the middle of the ways of the weather"
    assert heading in plain(garden.says("ration", "--site", "five-drums"))
    answer = RationAnswer.model_validate(ration(garden)).model_copy(update={"short": False})
    monkeypatch.setattr("scheduler.report.rationing.ration_answer", lambda *_: answer)
    said = plain(garden.says("ration", "--site", "five-drums"))
    assert heading not in said and "tomato" not in said.lower()
    assert "water is not short" in said and "fallinghead ration --choose" in said


def test_a_chosen_way_holds_until_it_is_taken_back(garden: LivedIn) -> None:
    said = plain(garden.asks("ration", "--choose", "first-rank", "--site", "five-drums"))
    assert "to the plants of the first rank alone" in said
    assert ration(garden)["chosen"] == "first-rank"
    assert choices_of(garden.store.choices_now()).way == "first-rank"
    why = plain(garden.says("why", "--site", "five-drums"))
    assert "so it goes to the plants of the first rank alone" in why  # planned anew at once
    garden.asks("ration", "--back", "--site", "five-drums")
    assert ration(garden)["chosen"] == "ranked"


def test_a_plant_is_put_first_and_back(garden: LivedIn) -> None:
    said = plain(garden.asks("rank", "lavender-1", "1", "--site", "five-drums"))
    assert "has rank 1 from now on (the site file says 4)" in said
    answer = ration(garden)
    assert answer["ranks"] == [{"plant": "lavender-1", "rank": 1, "site_rank": 4}]
    assert {p["id"]: p["rank"] for p in answer["ways"][0]["plants"]}["lavender-1"] == 1
    assert "site file again, 4" in plain(garden.asks("rank", "lavender-1", "--back", "--site", "five-drums"))
    assert ration(garden)["ranks"] == []


def test_the_reserve_is_released_by_a_person_and_kept_again(garden: LivedIn) -> None:
    before = ration(garden)["usable_l"]
    assert "released" in plain(garden.asks("ration", "--release-reserve", "--site", "five-drums"))
    assert ration(garden)["usable_l"] > before
    assert "is kept again" in plain(garden.asks("ration", "--keep-reserve", "--site", "five-drums"))
    assert ration(garden)["usable_l"] == before
    assert choices_of(garden.store.choices_now()) == Choices()


def test_the_plan_of_a_short_store_says_why_in_words(garden: LivedIn) -> None:
    """The last test of the file: it lets time go on."""
    garden.live(date(2012, 8, 5), 12.0)
    whole = "".join(
        garden.says("why", "--on", f"2012-08-{d:02d}", "--site", "five-drums") for d in range(3, 6)
    )
    said = plain(whole)
    assert "Water is short: if every plant got all it wants, the store" in said
    assert "fallinghead ration" in said
    assert "kept back for" in said or "deep and rarely" in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("ration", "--choose", "by-the-moon"), "there are ranked, first-rank, alike"),
        (("ration", "--choose", "alike", "--back"), "one thing at a time"),
        (("rank", "nettle", "1"), "no plant 'nettle'"),
        (("rank", "fig"), "say its rank"),
        (("rank", "fig", "0"), "whole number from 1 to 99"),
    ],
)
def test_a_slip_of_the_key_is_told_and_nothing_is_asked(
    words: tuple[str, ...], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    ran = CliRunner().invoke(app, [*words, "--site", "five-drums"])
    assert ran.exit_code != 0
    assert told in str(ran.exception)
    assert list(tmp_path.iterdir()) == []
