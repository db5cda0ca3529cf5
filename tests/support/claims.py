"""Lists of what was to be shown: each line names a test that exists, or the command that prints it."""

from __future__ import annotations

import csv
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def claims(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text().splitlines()))


def shown(row: dict[str, str]) -> bool:
    """Whether the test that the line names exists; where it names none, whether it names a command."""
    if not row["test"]:
        return bool(row["by hand"])
    path, name = row["test"].split("::")
    return re.search(rf"^def {name}\(", (ROOT / path).read_text(), re.MULTILINE) is not None
