"""What a pulse of the flow meter is stands in the site file, with its unit."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.site.errors import FallingheadError
from scheduler.site.examples import example_text
from scheduler.site.reading import read_site

TEXT = example_text("five-drums")
LONGEST = next(line for line in TEXT.splitlines() if line.startswith("longest_open"))


def written(tmp_path: Path, line: str) -> Path:
    file = tmp_path / "garden.toml"
    file.write_text(TEXT.replace(LONGEST, f"{LONGEST}\n{line}"))
    return file


@pytest.mark.parametrize(
    ("line", "litres"), [('meter_pulse = "0.45 L"', 0.45), ('meter_pulse = "1 gal"', 3.785411784), ("", None)]
)
def test_a_pulse_is_read_in_litres_and_none_is_none(line: str, litres: float | None, tmp_path: Path) -> None:
    assert read_site(written(tmp_path, line)).node.meter_pulse_l == litres


@pytest.mark.parametrize("value", ["0.45", '"0.45"', '"0 L"', '"450 L"', '"0.45 L/h"'])
def test_a_pulse_without_its_unit_or_out_of_reason_is_refused_by_its_name(value: str, tmp_path: Path) -> None:
    with pytest.raises(FallingheadError, match="meter_pulse"):
        read_site(written(tmp_path, f"meter_pulse = {value}"))
