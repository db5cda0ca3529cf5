"""What was to be shown of node, link and faults: each line has a test that exists, or the command that
prints it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.claims import claims, shown


@pytest.mark.parametrize(
    "row", claims(Path(__file__).with_name("safety_claims.csv")), ids=lambda r: r["claim"]
)
def test_a_claim_names_a_test_that_is_run_or_a_command(row: dict[str, str]) -> None:
    assert shown(row), row
