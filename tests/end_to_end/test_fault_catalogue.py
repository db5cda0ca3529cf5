"""The project's 48 faults: each has a test that exists and is run on each change, or says why it has none."""

from __future__ import annotations

import csv
import re
from functools import cache
from pathlib import Path

import pytest

from tests.simulation.faults import KINDS
from tests.simulation.script import draw_gust, draw_season, draw_storm
from tests.simulation.test_storms import GUSTS, STORMS

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("fault_catalogue.csv")
ROWS = list(csv.DictReader(TABLE.read_text().splitlines()))
IN_STORMS = "tests/simulation/test_storms.py"
# Software has no answer to these; the fitting guide does.
WITHOUT = {"F41"}


def test_all_forty_eight_stand_there_once() -> None:
    assert [r["fault"] for r in ROWS] == [f"F{n:02d}" for n in range(1, 49)]
    assert {r["fault"] for r in ROWS if not r["test"]} == WITHOUT


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["fault"])
def test_a_fault_names_a_test_that_is_run_or_why_there_is_none(row: dict[str, str]) -> None:
    if not row["test"]:
        assert len(row["note"]) > 20
        return
    path, name = row["test"].split("::")
    assert path.startswith("tests/") and Path(path).name.startswith("test_")  # else pytest passes it over
    assert re.match("test_|Test", name), name
    text = (ROOT / path).read_text()
    assert re.search(rf"^def {name}\(|^{name} = ", text, re.MULTILINE), row["test"]
    if path == IN_STORMS:
        assert row["in_storms"], "which fault of the storms is meant?"


@cache
def drawn_on_each_change() -> frozenset[str]:
    """Faults that the storms of ``test_storms.py`` bring: drawn again, not run again."""
    drawn = [draw_season(0, KINDS, days=28)]
    drawn += [draw_gust(seed, KINDS) for seeds in GUSTS for seed in seeds]
    drawn += [draw_storm(seed, KINDS) for seeds in STORMS for seed in seeds]
    return frozenset(h.kind for storm in drawn for h in storm.happenings)


@pytest.mark.parametrize("row", [r for r in ROWS if r["in_storms"]], ids=lambda r: r["fault"])
def test_a_fault_of_the_storms_really_comes_on_each_change(row: dict[str, str]) -> None:
    assert row["in_storms"] in KINDS
    assert row["in_storms"] in drawn_on_each_change()
