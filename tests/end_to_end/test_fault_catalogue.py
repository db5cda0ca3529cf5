"""The project's 48 faults: each has a test outside the simulation that exists, or says why it has none."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("fault_catalogue.csv")
ROWS = list(csv.DictReader(TABLE.read_text().splitlines()))


def test_all_forty_eight_stand_there_once() -> None:
    assert [r["fault"] for r in ROWS] == [f"F{n:02d}" for n in range(1, 49)]


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["fault"])
def test_a_fault_names_a_test_that_exists_or_why_there_is_none(row: dict[str, str]) -> None:
    if not row["test"]:
        assert len(row["why_not"]) > 20
        return
    path, name = row["test"].split("::")
    text = (ROOT / path).read_text()
    assert re.search(rf"^def {name}\(|^{name} = ", text, re.MULTILINE), row["test"]
