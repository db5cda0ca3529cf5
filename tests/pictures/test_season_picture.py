"""A season's picture is drawn from plain values, to a file of the kind asked for."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.pictures.season import DayPoint, PlantTotal, RunPoint, SeasonPicture, draw_season
from scheduler.pictures.style import spread_labels


def picture(*, runs: int = 5, wanted_l: float = 100.0) -> SeasonPicture:
    first = date(2031, 7, 1)
    days = tuple(DayPoint(first + timedelta(i), 1.0 - 0.05 * i, 1.0 - 0.06 * i, None) for i in range(10))
    start = datetime(2031, 7, 1, 5, tzinfo=UTC)
    points = tuple(RunPoint("bed", start + timedelta(days=i), 1.0, 20.0) for i in range(runs))
    plants = (PlantTotal("fig", wanted_l, 98.0, 60.0), PlantTotal("bare soil", 0.0, 0.0, 0.0))
    return SeasonPicture("A test season", 0.2, 1.0, days, points, (("bed", 18.0),), plants)


@pytest.mark.parametrize(("ending", "magic"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_ending_says_the_kind_of_file(tmp_path: Path, ending: str, magic: bytes) -> None:
    path = tmp_path / f"season.{ending}"
    draw_season(picture(), path)
    assert path.read_bytes().startswith(magic)
    assert path.stat().st_size > 10_000


def test_the_picture_names_its_series_and_units_in_words(tmp_path: Path) -> None:
    import matplotlib as mpl

    path = tmp_path / "season.svg"
    with mpl.rc_context({"svg.fonttype": "none"}):
        draw_season(picture(), path)
    text = path.read_text(encoding="utf-8")
    for words in ("fixed timer", "this garden", "reserve", "level above outlet, cm", "head, cm", "mm a day"):
        assert words in text, words
    assert "wanted 100 L, got 98 L, timer 60 L" in text
    assert "bare soil" not in text  # wanted nothing: no share of nothing is drawn


def test_a_season_without_a_run_still_has_a_picture(tmp_path: Path) -> None:
    path = tmp_path / "season.png"
    draw_season(picture(runs=0, wanted_l=0.0), path)
    assert path.exists()


def test_labels_move_apart_but_keep_their_order_and_mean() -> None:
    placed = spread_labels([1.0, 1.01, 0.2], 0.1)
    assert placed[2] < placed[0] < placed[1]
    assert placed[1] - placed[0] == pytest.approx(0.1)
    assert sum(placed) == pytest.approx(2.21)


def test_matplotlib_loads_only_when_something_is_drawn() -> None:
    code = "import scheduler.pictures.season, sys; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
