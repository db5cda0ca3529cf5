"""The survey as a new fitter uses it: a garden drawn too low, one with a plant added, one whose last plant
starves."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.cli.present import today
from scheduler.report.garden_pictures import draw_garden, garden_and_day
from scheduler.report.words import site_words
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site, example_text
from scheduler.survey.changes import changed


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


@pytest.fixture
def starving(tmp_path: Path) -> str:
    """The five drums with the last tomato on a wall: 50 cm above the outlet."""
    text = example_text("five-drums")
    for at in ("7.5 m", "7.7 m"):
        assert f'at = "{at}", drop = "40 cm"' in text
        text = text.replace(f'at = "{at}", drop = "40 cm"', f'at = "{at}", drop = "-50 cm"')
    path = tmp_path / "starving.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_last_plant_starves_at_half_level_and_its_level_and_litres_are_said(starving: str) -> None:
    half = run("survey", starving, "--at", "half")
    assert "Tomato at the corner gets no water at 39.5 cm above the outlet" in half
    assert "(above the water)" in half and "dry" in half
    answer = json.loads(run("survey", starving, "--at", "full", "--json"))
    pots = answer["zones"][0]
    last = next(p for p in pots["plants"] if p["id"] == "tomato-5")
    assert last["flow_lph"] > 0.0
    # No water rises above its own surface: it must stop when the level is 50 cm above the outlet.
    assert last["stops_m"] == pytest.approx(0.5, abs=0.005)
    assert pots["dead_storage_l"] > 500.0


def test_advice_for_the_starving_plant_raises_the_stand(starving: str) -> None:
    answer = json.loads(run("survey", starving, "--advice", "--json"))
    kinds = {a["kind"] for a in answer["advice"]}
    assert "raise" in kinds
    advice = answer["advice"]
    most = max(a["gain"] for a in advice)
    order = [(len(a["dry_after"]), a["gain"] < 0.5 * most, -a["gain"] / a["hours"]) for a in advice]
    assert order == sorted(order) and min(a["gain"] for a in advice) > 0.0
    assert not advice[0]["dry_after"]
    assert all(a["worst_plant"] == "tomato-5" and a["worst_lph_before"] == 0.0 for a in advice)
    told = run("survey", starving, "--advice", "--at", "30 cm")
    assert told.startswith("Most effect for each hour of work first") and "1. raise barrels" in told
    # Not buried under the survey, which has its own command.
    assert "stops below" not in told and f"fallinghead survey {starving} --at '30 cm'" in told


def test_thirty_centimetres_more_under_the_barrels_give_every_plant_more() -> None:
    answer = json.loads(run("survey", "five-drums", "--what-if", "raise barrels 30 cm", "--json"))
    for before, after in zip(answer["before"]["plants"], answer["after"]["plants"], strict=True):
        assert all(b < a for b, a in zip(before["flows_lph"], after["flows_lph"], strict=True))
    # Torricelli's root: with x = 0.65 and hardly any friction the flow rises as (head + 0.3 m) to that power.
    tomato = next(p for p in answer["before"]["plants"] if p["id"] == "tomato-5")["flows_lph"][1]
    raised = next(p for p in answer["after"]["plants"] if p["id"] == "tomato-5")["flows_lph"][1]
    static = answer["before"]["levels_m"][1] + 0.40
    assert raised / tomato == pytest.approx(((static + 0.3) / static) ** 0.65, rel=0.01)
    assert "At half every plant gets" in run("survey", "five-drums", "--what-if", "raise barrels 30 cm")


def test_a_bubbler_added_at_the_end_of_the_line_takes_a_little_from_the_others() -> None:
    change = "add 8 L/h bubbler for tomato-5 on wall at 7.9 m"
    answer = json.loads(run("survey", "five-drums", "--what-if", change, "--json"))
    old, new = ({p["id"]: p["flows_lph"] for p in answer[s]["plants"]} for s in ("before", "after"))
    assert new["tomato-5"][1] > old["tomato-5"][1] + 5.0
    assert new["tomato-1"][1] < old["tomato-1"][1]
    assert new["fig"] == pytest.approx(old["fig"])


@pytest.mark.parametrize(
    "change",
    [
        "filter 8 m3/h",
        "valve pots 12 m3/h",
        "bore wall 20 mm",
        "feed bore 25 mm",
        "open fig-1 20 %",
        "close fig-1 by 20 %",
        "remove fig-2",
        "move fig-2 to 3 m",
        "feed wall from its middle",
        "lower the barrels by 5 cm",
    ],
)
def test_each_sentence_changes_some_flow(change: str) -> None:
    answer = json.loads(run("survey", "five-drums", "--what-if", change, "--json"))
    old, new = ([p["flows_lph"] for p in answer[s]["plants"]] for s in ("before", "after"))
    assert old != new


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("paint barrels green", "read the change"),
        ("open no-such 20 %", "no emitter 'no-such'"),
        ("bore wall 20", "unit is missing"),
        ("bore wall -20 mm", "more than nothing"),
        ("add 8 L/h bubbler for oak on wall at 2 m", "no plant 'oak'"),
        ("close fig-1 150 %", "between 0 % and 100 %"),
        ("feed main from its middle", "hangs on it"),
        ("split border at main", "without emitters"),
    ],
)
def test_a_change_that_cannot_be_is_refused_in_words(change: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        run("survey", "five-drums", "--what-if", change)


def test_the_forms_of_a_change_are_listed_in_the_gardens_units() -> None:
    assert "raise barrels 30 cm" in run("survey", "five-drums", "--what-if", "forms")
    assert "raise barrels 12 in" in run("survey", "uneven-ground", "--what-if", "forms")


def test_two_site_files_are_set_side_by_side(starving: str) -> None:
    text = run("survey", "five-drums", "--against", starving)
    assert "Tomato at the corner" in text and "-> dry" in text
    assert "At half Tomato at the corner would be dry, and is watered as it is." in text


def test_a_garden_with_an_emitter_above_the_water_at_every_level_is_not_in_order() -> None:
    # A site file that says so is refused when read; one that was changed afterwards is not.
    site = changed(example_site("five-drums"), ["lower barrels 120 cm"])
    said = " ".join(site_words(site))
    assert "in order" not in said and "tomato-1-1" in said and "even from full barrels" in said
    assert "in order" in " ".join(site_words(example_site("five-drums")))


def test_pictures_drawn_beside_are_those_drawn_here(tmp_path: Path) -> None:
    """By the command in a process of its own, which may copy itself, and by this one, which may not."""
    site, beside = example_site("five-drums"), tmp_path / "beside"
    command = [sys.executable, "-W", "error", "-m", "scheduler.cli.main", "survey", "five-drums"]
    begun = today(site.place.timezone)
    done = subprocess.run([*command, "--pictures", str(beside)], check=True, capture_output=True, text=True)
    assert done.stderr == ""
    drawn = {path.name: path.read_bytes() for path in beside.iterdir()}
    assert len(drawn) > 3 and all(name in done.stdout for name in drawn)
    # Each names the day; about midnight it may be either.
    same = []
    for day in {begun, today(site.place.timezone)}:
        here = draw_garden(site, tmp_path / f"{day}", of=garden_and_day(site, day))
        same.append({path.name: path.read_bytes() for path in here} == drawn)
    assert any(same)
