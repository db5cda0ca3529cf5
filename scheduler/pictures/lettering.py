"""Letters of a PNG drawn a word at a time and kept, since the pictures of a garden say much the same.

matplotlib lays out every text twice and draws it letter by letter: a quarter of the time of a survey with its
pictures (measured here). Here a text is laid out and drawn once, to whole pixels, and set down wherever it is
wanted again. Slanting texts are left to matplotlib.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Texts kept; those of the four pictures of a zone are about a hundred.
_KEPT = 512
# FreeType counts in parts of a pixel.
_PARTS = 64.0
_POINTS_PER_INCH = 72.0
_UPRIGHT, _RISING = 0.0, 90.0


@dataclass(frozen=True, slots=True, eq=False)
class _Word:
    """A text laid out: its size and how deep it goes below its line, pixels; its ink from 0 to 255, the
    uppermost row first, so many rows above the line and so far right of the start."""

    width: float
    height: float
    descent: float
    ink: NDArray[np.uint8]
    rows_above: int
    right: int


def _font(weight: str | int) -> Any:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return get_font(findfont(FontProperties(weight=weight)))


@lru_cache(_KEPT)
def _line_height(weight: str | int, size_pt: float, dpi: float) -> tuple[float, float, float]:
    """Pixels above and below a line of text, and between two, as the font itself gives them."""
    font = _font(weight)
    table = font.get_sfnt_table("OS/2")
    scale = size_pt * dpi / _POINTS_PER_INCH / font.get_sfnt_table("head")["unitsPerEm"]
    above, below, gap = (table[f"sTypo{name}"] * scale for name in ("Ascender", "Descender", "LineGap"))
    return above, -below, gap


@lru_cache(_KEPT)
def _word(text: str, weight: str | int, size_pt: float, dpi: float) -> _Word:
    from matplotlib.backends import backend_agg

    hinting: Any = backend_agg.get_hinting_flag
    font = _font(weight)
    font.clear()
    font.set_size(size_pt, dpi)
    font.set_text(text, 0.0, flags=hinting())
    width, height = (v / _PARTS for v in font.get_width_height())
    descent = font.get_descent() / _PARTS
    font.draw_glyphs_to_bitmap(antialiased=True)
    right, _ = font.get_bitmap_offset()
    ink = np.array(font.get_image(), dtype=np.uint8)
    # The ink begins at the first pixel that it touches, and with an empty row above.
    return _Word(width, height, descent, ink, math.floor(height - descent) + 1, math.floor(right / _PARTS))


def width_in(text: str, size_pt: float) -> float:
    """Inches that a text of that size takes, in the fonts of the drawing under way."""
    from matplotlib import rcParams

    dpi = float(rcParams["figure.dpi"])
    return _word(text, "normal", size_pt, dpi).width / dpi


def with_kept_letters(renderer: Any) -> None:
    """Let an Agg renderer measure and draw its texts here. Only for the one family of ``style.SETTINGS``."""
    dpi, slanted, formula = renderer.dpi, renderer.draw_text, renderer.get_text_width_height_descent

    def measured(s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:
        if ismath:
            size: tuple[float, float, float] = formula(s, prop, ismath)
            return size
        word = _word(s, prop.get_weight(), prop.get_size_in_points(), dpi)
        return word.width, word.height, word.descent

    def draw_text(
        gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False, mtext: Any = None
    ) -> None:
        if ismath or angle not in (_UPRIGHT, _RISING):
            slanted(gc, x, y, s, prop, angle, ismath, mtext)
            return
        word = _word(s, prop.get_weight(), prop.get_size_in_points(), dpi)
        ink = word.ink if angle == _UPRIGHT else np.rot90(word.ink)
        if not ink.size:
            return
        # x, y: where the text starts on its line, y down from the top.
        if angle == _UPRIGHT:
            left, bottom = round(x) + word.right, round(y) - word.rows_above + ink.shape[0]
        else:
            left, bottom = round(x) - word.rows_above, round(y) - word.right
        # A renderer's pictures stand on their feet: the lowest row first, y up from the bottom.
        renderer.draw_image(gc, left, round(renderer.height) - bottom, _inked(gc, ink)[::-1])

    def line_height(prop: Any) -> tuple[float, float, float]:
        return _line_height(prop.get_weight(), prop.get_size_in_points(), dpi)

    renderer.get_text_width_height_descent = measured
    # Asked for each text, where matplotlib knows this name; else read from the font each time.
    renderer._get_font_height_metrics = line_height
    renderer.draw_text = draw_text


def _inked(gc: Any, ink: NDArray[np.uint8]) -> NDArray[np.uint8]:
    red, green, blue, *_ = gc.get_rgb()
    out = np.empty((*ink.shape, 4), dtype=np.uint8)
    out[..., :3] = np.round(255.0 * np.array((red, green, blue)))
    out[..., 3] = ink
    return out
