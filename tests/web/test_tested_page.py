"""What the tests found, on the page: the cans one by one, what to turn, what is due."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from scheduler.report.plan import Columns
from scheduler.web.tables import unit_above
from tests.support.page_garden import PageGarden, plain
from tests.support.page_states import STATES


def test_the_cans_are_told_one_by_one_and_what_is_to_be_turned(tmp_path: Path) -> None:
    """Two bubblers of one size on one line; the second caught two fifths of what it should."""
    garden = STATES["tested"](tmp_path)
    words = plain(garden.client.get("/weeks/tested").text)
    assert "Last tested Wednesday 18 July by Ines." in words
    caught = {e: float(ml) for e, ml in re.findall(r"(b\d) (\d+) mL", words)}
    assert caught["b2"] / caught["b1"] == pytest.approx(0.4, abs=0.01)
    assert "Poor: for each litre wanted" in words
    assert re.search(r"close b1 \(Sage\) from [\d.]+ L/h until it gives [\d.]+ L/h", words)
    assert re.search(r"open b2 \(Thyme\) from [\d.]+ L/h until it gives [\d.]+ L/h", words)
    # Flows hold at one level, which is told: that of the cans.
    level = re.search(r"while the water stands about ([\d.]+) cm above the outlet", words)
    assert level is not None, words
    assert re.search(r"Then the worst-off plant, (Sage|Thyme), gets \d+ % of its share:", words)
    assert re.search(r"Zone Bed: .*prime time, head flow, travel times \(never done\)", words)
    garden.close()


def test_what_was_never_tested_is_said_to_be_worked_out(started: PageGarden) -> None:
    words = plain(started.client.get("/weeks/tested").text)
    assert "Nothing was tested yet" in words
    assert words.count("Never tested: what it gives is worked out from the drawing.") == len(
        started.site.zones
    )
    assert "wet walk" in words and "fallinghead" not in words


def test_before_the_service_has_run_nothing_was_tested(page: PageGarden) -> None:
    page.let_in()
    assert "No test is in the books of this garden." in plain(page.client.get("/weeks/tested").text)


def test_a_unit_that_a_column_shares_stands_above_it_and_no_other_does() -> None:
    columns: Columns = [("level", "left"), ("flow", "right"), ("stops below", "right"), ("head", "right")]
    rows = [
        ["79.0 cm", "8.1 to 9.0 L/h", "12.0 cm to 15.0 cm", "1.20 m"],
        ["8 cm", "5 L/h", "outlet", "90 cm"],
    ]
    heads, cells = unit_above(columns, rows)
    assert [name for name, _ in heads] == ["level, cm", "flow, L/h", "stops below", "head"]
    assert cells == [["79.0", "8.1 to 9.0", "12.0 cm to 15.0 cm", "1.20 m"], ["8", "5", "outlet", "90 cm"]]
