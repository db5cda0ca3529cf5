"""The newest cans of a zone as a map: each against its plant's part of what was caught."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.pictures.cans import DRY, LITTLE, RIGHT, UNKNOWN, finding
from scheduler.report.can_maps import can_map
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import Can, CatchCans, site_mark
from scheduler.survey.wants import midsummer_wants

SITE = example_site("five-drums")
POTS = SITE.zone("pots")
WANTS = midsummer_wants(SITE)


def caught(changed: dict[str, float | None], day: int = 2) -> CatchCans:
    """Ten minutes; two emitters to a plant, so each fairly catches half of what its plant wants (in tenths
    of a litre for a litre a day), but for those that are changed."""
    fair = {e.id: 0.05 * WANTS[str(e.plant)] for e in POTS.emitters}
    cans = tuple(Can(emitter=e, volume_l=changed.get(e, v)) for e, v in fair.items())
    return CatchCans(
        zone="pots", at=datetime(2031, 5, day, tzinfo=UTC), who="Ida", level_m=0.6, run_s=600.0, cans=cans
    )


def test_a_garden_trimmed_to_its_wants_is_right_in_every_can() -> None:
    drawn = can_map(SITE, caught({}))
    assert all(finding(c) is RIGHT for c in drawn.cans)
    assert [c.caught_l for c in drawn.cans] == pytest.approx([c.wanted_l for c in drawn.cans])
    assert drawn.uniformity == pytest.approx(1.0) and drawn.grade == "excellent" and drawn.minutes == 10.0
    assert {c.plant for c in drawn.cans} >= {"Tomato by the door", "Tomato at the corner"}
    assert [c.at_m for c in drawn.cans][:2] == [1.8, 2.0]


def test_clogged_dry_and_spilt_cans_are_told_apart() -> None:
    ids = [e.id for e in POTS.emitters]
    half = 0.025 * WANTS["tomato-1"]
    drawn = {c.emitter: c for c in can_map(SITE, caught({ids[0]: half, ids[3]: 0.0, ids[5]: None})).cans}
    assert finding(drawn[ids[0]]) is LITTLE
    assert finding(drawn[ids[3]]) is DRY
    assert finding(drawn[ids[5]]) is UNKNOWN and drawn[ids[5]].sd_l is None


def test_the_sheet_draws_the_newest_cans_of_each_zone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "state").mkdir()
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("COLUMNS", "400")
    asked = ["sheet", "five-drums", "--pictures", str(tmp_path / "drawn"), "--svg"]
    assert "nothing is drawn" in CliRunner().invoke(app, asked).output
    with Store(store_url(tmp_path / "state" / "five-drums.db"), SITE.id) as store:
        store.add_test_record(caught({}, day=1), site_mark(SITE, "pots"))
        store.add_test_record(caught({"tomato-2-1": 0.0}, day=3), site_mark(SITE, "pots"))
    said = CliRunner().invoke(app, asked)
    assert said.exit_code == 0 and "pots-cans.svg" in said.output
    assert [p.name for p in (tmp_path / "drawn").iterdir()] == ["pots-cans.svg"]
    text = (tmp_path / "drawn" / "pots-cans.svg").read_text(encoding="utf-8")
    assert "Tomatoes in pots: catch cans of 2031-05-0" in text and "10 of 10 cans measured" in text
    assert "dry" in text
