"""Rulers drawn by hand: ticks where they belong, words that read, a file that opens."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from scheduler.pictures.flow_by_level import _from_the_first_drop
from scheduler.pictures.ruling import Ruler, ruled, tick_words, write_picture
from scheduler.pictures.style import DPI, axes_in, drawing, new_picture


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ([0.0, 25.0, 50.0], ["0", "25", "50"]),
        ([0.0, 0.5, 1.0], ["0.0", "0.5", "1.0"]),
        ([0.0, 2.5, 5.0], ["0.0", "2.5", "5.0"]),
        ([-20.0, 0.0, 20.0], ["\N{MINUS SIGN}20", "0", "20"]),
        ([0.1 * i for i in range(4)], ["0.0", "0.1", "0.2", "0.3"]),  # 0.30000000000000004
        ([7.0], ["7"]),
        ([], []),
    ],
)
def test_ticks_carry_the_decimals_of_their_step(at: list[float], words: list[str]) -> None:
    assert tick_words(at) == words


def drawn(path: Path) -> str:
    with drawing() as make:
        figure = new_picture(make, 3.0, "Title")
        axes = axes_in(figure, 0.6, 0.2, 0.6, 0.6)
        axes.set_xlim(-3.0, 11.0)
        axes.set_ylim(-40.0, 140.0)
        ruled(axes, Ruler("along, m", 0.0, 11.0), Ruler("height, cm", -10.0, 110.0))
        write_picture(figure, path)
    return path.read_text(encoding="utf-8") if path.suffix == ".svg" else ""


def test_ticks_stand_only_where_they_are_wanted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from scheduler.pictures import style

    monkeypatch.setitem(style.SETTINGS, "svg.fonttype", "none")
    text = drawn(tmp_path / "a.svg")
    for word in ("along, m", "height, cm", ">10<", ">100<", ">0<"):
        assert word in text, word
    assert ">\N{MINUS SIGN}2<" not in text and ">\N{MINUS SIGN}20<" not in text and ">120<" not in text


def test_a_png_is_as_large_as_the_figure_and_says_its_resolution(tmp_path: Path) -> None:
    drawn(tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as image:
        assert (image.mode, image.size) == ("RGB", (round(6.4 * DPI), 3 * DPI))
        assert image.info["dpi"][0] == pytest.approx(DPI, abs=0.1)
        pixels = np.asarray(image)
    assert (pixels[0, 0] == 255).all()
    assert 500 < (pixels < 128).any(axis=2).sum() < 50_000  # letters and lines on white


def test_a_curve_starts_where_its_plant_starts_to_flow() -> None:
    levels = np.array([0.0, 1.0, 2.0, 3.0])
    at, flow = _from_the_first_drop(levels, np.array([0.0, 0.0, 1.0, 2.0]), 1.5)
    np.testing.assert_array_equal(at, [1.5, 2.0, 3.0])
    np.testing.assert_array_equal(flow, [0.0, 1.0, 2.0])
    for whole in ([0.0, 0.0, 0.0, 0.0], [1.0, 2.0, 3.0, 4.0]):
        np.testing.assert_array_equal(_from_the_first_drop(levels, np.array(whole), 0.0)[1], whole)
