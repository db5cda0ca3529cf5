"""Pictures of a survey, and a run as an EPANET file, through the command."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from epanet import toolkit
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.hydraulics.epanet import emitter_names
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import garden_model
from scheduler.site.errors import FallingheadError, UsageError
from scheduler.site.examples import example_site, example_text
from scheduler.store.store import Store, store_url
from scheduler.survey.compare import garden_side
from scheduler.survey.section import long_section
from scheduler.survey.site_mark import site_mark
from scheduler.survey.tests_done import Draw, HeadFlow


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_survey_draws_every_zone_and_the_run_times(tmp_path: Path) -> None:
    site = example_site("five-drums")
    answer = json.loads(run("survey", "five-drums", "--pictures", str(tmp_path / "p"), "--json"))
    named = [f"{z.id}-{what}.png" for z in site.zones for what in ("long-section", "flow-by-level")]
    assert [Path(p).name for p in answer["pictures"]] == [*named, "run-times.png"]
    for path in answer["pictures"]:
        assert Path(path).read_bytes().startswith(b"\x89PNG")


def test_pictures_can_be_drawn_as_svg(tmp_path: Path) -> None:
    said = run("survey", "uneven-ground", "--pictures", str(tmp_path), "--svg")
    assert "Drawn:" in said and (tmp_path / "run-times.svg").read_text().startswith("<?xml")


def test_pictures_where_nothing_can_be_written_are_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be written into"):
        run("survey", "five-drums", "--pictures", str(tmp_path / "file"))


@pytest.mark.parametrize(
    "refused",
    [("--what-if", "nonsense"), ("--as-tested",), ("--as-tested", "--what-if", "raise barrels 30 cm"),
     ("--against", "no-such-garden.toml"), ("--at", "9 km")],
)  # fmt: skip
def test_a_survey_that_is_refused_leaves_no_folder(
    refused: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with pytest.raises(FallingheadError):
        run("survey", "five-drums", *refused, "--pictures", str(tmp_path / "drawn"))
    assert not list(tmp_path.iterdir())


def test_a_comparison_draws_both_gardens_each_into_its_folder(tmp_path: Path) -> None:
    change = ("--what-if", "raise barrels 30 cm")
    said = run("survey", "uneven-ground", *change, "--pictures", str(tmp_path), "--svg")
    assert "The garden as it is, drawn:" in said and "With the changes, drawn:" in said
    now, after = (sorted(p.name for p in (tmp_path / name).iterdir()) for name in ("now", "changed"))
    assert now == after and "run-times.svg" in now
    sections = [n for n in now if n.endswith("long-section.svg")]
    assert any((tmp_path / "now" / n).read_text() != (tmp_path / "changed" / n).read_text() for n in sections)
    drawn = re.compile(r"<!-- Deck above the slope, drawn \d+ \w+ \d{4}(.*) -->")
    told = [drawn.search((tmp_path / name / "run-times.svg").read_text()) for name in ("now", "changed")]
    assert [found and found[1] for found in told] == ["", ", with: raise barrels 30 cm"]


def test_the_run_that_is_printed_gives_the_engine_the_planners_litres(tmp_path: Path) -> None:
    """The engine is EPANET 2.3 (owa-epanet); 1e-4 of the largest, as for its own tests of run files."""
    model = garden_model(example_site("five-drums"))
    zone = model.site.zones[0].id
    text = run("network", "five-drums", "--zone", zone, "--at", "70 cm", "--run", "20 min")
    file = tmp_path / "run.inp"
    file.write_text(text)
    litres = _engine_litres(file, emitter_names(model.zones[zone].network))
    ours = model.zones[zone].drawdown.run(model.zones[zone].outlet_level_m(0.7), 1200.0)
    np.testing.assert_allclose(litres, ours.litres, rtol=0, atol=1e-4 * ours.litres.max())


def _engine_litres(file: Path, names: list[str]) -> np.ndarray:
    project = toolkit.createproject()
    toolkit.open(project, str(file), str(file.with_suffix(".rpt")), "")
    toolkit.openH(project)
    toolkit.initH(project, 0)
    index = [toolkit.getnodeindex(project, name) for name in names]
    litres = np.zeros(len(index))
    while True:
        toolkit.runH(project)
        flows = np.array([toolkit.getnodevalue(project, i, toolkit.DEMAND) for i in index])
        step = toolkit.nextH(project)
        if step == 0:
            break
        litres += flows * step
    toolkit.closeH(project)
    toolkit.close(project)
    toolkit.deleteproject(project)
    assert "WARNING" not in file.with_suffix(".rpt").read_text()
    return litres


def test_a_run_of_no_time_is_refused() -> None:
    site = example_site("five-drums")
    with pytest.raises(UsageError, match="a second or more"):
        run("network", "five-drums", "--zone", site.zones[0].id, "--run", "0 s")


def test_low_is_the_low_of_the_pictures_and_comparisons() -> None:
    """One word, one level: of the survey at "low", of the lowest grade line, of the last column beside."""
    site = example_site("five-drums")
    model = garden_model(site)
    asked = json.loads(run("survey", "five-drums", "--at", "low", "--json"))["level_m"]
    grades = long_section(model, "pots").grades
    assert (
        asked
        == {grade.name: grade.level_m for grade in grades}["low"]
        == garden_side(site, model=model).levels_m[2]
    )


def bucket_of_the_pots(folder: Path) -> None:
    """Kept: the pots of the five drums give a fifth less than drawn, by a bucket at two levels."""
    site = example_site("five-drums")
    network = zone_network(site, site.zone("pots"))
    draws = tuple(
        Draw(level_m=at, level_end_m=at, run_s=360.0, volume_l=0.08 * solve(network, at).total_lph)
        for at in (0.7, 0.4)
    )
    record = HeadFlow(zone="pots", at=datetime(2026, 4, 1, tzinfo=UTC), who="Ann", draws=draws)
    with Store(store_url(folder / "five-drums.db"), site.id) as store:
        store.add_test_record(record, site_mark(site, "pots"))


def test_a_survey_as_tested_has_the_flows_that_were_caught_and_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A zone that gives a fifth less than drawn, by a bucket at two levels; the other was never tested."""
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with pytest.raises(UsageError, match="test it first"):
        run("survey", "five-drums", "--as-tested")
    assert not list(tmp_path.iterdir()), "asking makes no store"
    bucket_of_the_pots(tmp_path)
    words = ("survey", "five-drums", "--at", "50 cm", "--json")
    drawn = {z["id"]: z["flow_lph"] for z in json.loads(run(*words))["zones"]}
    pictures = ("--as-tested", "--svg", "--pictures", str(tmp_path / "drawn"))
    found = {z["id"]: z["flow_lph"] for z in json.loads(run(*words, *pictures))["zones"]}
    # The link between the drums costs a millimetre or two; the bucket, one or two per cent.
    assert found["pots"] / drawn["pots"] == pytest.approx(0.8, abs=0.01)
    assert found["border"] == drawn["border"]
    proven, never = ((tmp_path / "drawn" / f"{z}-flow-by-level.svg").read_text() for z in ("pots", "border"))
    assert "<!-- measured here -->" in proven and "<!-- Band:" in proven
    assert "measured here" not in never and "they were not measured" in never


def test_a_tested_garden_beside_itself_is_as_tested_on_both_sides(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    bucket_of_the_pots(tmp_path)
    same, renamed, other = (tmp_path / f"{name}.toml" for name in ("same", "renamed", "other"))
    same.write_text(example_text("five-drums"), encoding="utf-8")
    renamed.write_text(example_text("five-drums").replace('"pots"', '"tubs"'), encoding="utf-8")
    other.write_text(example_text("five-drums").replace('"five-drums"', '"six-drums"'), encoding="utf-8")
    words = ("survey", "five-drums", "--as-tested", "--against")
    answer = json.loads(run(*words, str(same), "--json"))
    assert answer["before"] == answer["after"]
    assert "At half every plant that was there gets as much as before." in run(*words, str(same))
    with pytest.raises(UsageError, match="'six-drums', not of 'five-drums'; leave out --as-tested"):
        run(*words, str(other))
    with pytest.raises(UsageError, match=r"as \S*renamed.toml draws it .* leave out --as-tested"):
        run(*words, str(renamed))


def test_pictures_of_a_change_say_where_the_garden_was_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A dripper taken out of the border leaves the pots as tested."""
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    bucket_of_the_pots(tmp_path)
    change = f"remove {example_site('five-drums').zone('border').emitters[0].id}"
    folder = tmp_path / "drawn"
    run("survey", "five-drums", "--as-tested", "--what-if", change, "--svg", "--pictures", str(folder))
    for name in ("now", "changed"):
        drawn = (folder / name / "pots-flow-by-level.svg").read_text()
        assert "<!-- measured here -->" in drawn and "<!-- Band:" in drawn
        assert "they were not measured" in (folder / name / "border-flow-by-level.svg").read_text()


def test_a_garden_on_paper_is_looked_at_and_not_served(tmp_path: Path) -> None:
    paper = tmp_path / "paper.toml"
    paper.write_text(re.split(r"^\[forecast\]", example_text("five-drums"), flags=re.MULTILINE)[0])
    said = " ".join(run("check", str(paper)).split())
    assert "the site file is in order" in said
    assert "This is a garden on paper: its file has no [forecast] and no [node]." in said
    assert run("survey", str(paper)) == run("survey", "five-drums")
    for command in (("serve", str(paper)), ("node", str(paper), "--broker", "192.0.2.1")):
        with pytest.raises(UsageError, match=r"a garden on paper: add \[forecast\] and \[node\]"):
            run(*command)


def test_the_title_of_a_network_is_in_the_gardens_own_units() -> None:
    # Half of 33 in of water, 0.4191 m, to the tenth of an inch: 25.4 mm each.
    assert "level 16.5 in above the outlet" in run("network", "uneven-ground", "--zone", "slope")
    assert "level 39.5 cm above the outlet" in run("network", "five-drums", "--zone", "pots")
