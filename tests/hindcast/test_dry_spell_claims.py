"""What was to be built and shown of the dry spell: each line has a test that exists, or a command."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROWS = list(csv.DictReader(Path(__file__).with_name("dry_spell_claims.csv").read_text().splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["claim"])
def test_a_claim_names_a_test_that_is_run_or_a_command(row: dict[str, str]) -> None:
    if not row["test"]:
        assert row["by hand"]
        return
    path, name = row["test"].split("::")
    assert re.search(rf"^def {name}\(", (ROOT / path).read_text(), re.MULTILINE), row["test"]
