from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.garden_under_test import GardenUnderTest


@pytest.fixture
def plot(tmp_path: Path) -> Iterator[GardenUnderTest]:
    """A running garden: everything is started, heard and shut."""
    made = GardenUnderTest(tmp_path)
    try:
        yield made.start()
    finally:
        made.close()
