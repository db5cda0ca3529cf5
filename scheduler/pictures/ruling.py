"""Rulers and words drawn as a few artists, and the file written without detours.

matplotlib's own axis makes six artists for every tick and measures its words twice: for a page of many small
pictures it takes as long as all the rest (measured here). The places of the ticks are still its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from scheduler.pictures.lettering import with_kept_letters
from scheduler.pictures.style import DPI, FONT_SIZE, INK, PALE, STONE

_POINTS_PER_INCH = 72.0
# Points: length of a tick, from there to its words, and from those to the name of the axis.
_TICK_PT, _PAD_PT, _NAME_PAD_PT = 3.5, 3.5, 4.0
# Width of a digit and height of a line of DejaVu Sans, as shares of its size.
_DIGIT_EM, _LINE_EM = 0.636, 1.17
# How hard a PNG is packed, 1 to 9: higher takes longer and is no smaller here by a tenth.
_PACKING = 3


@dataclass(frozen=True, slots=True)
class Ruler:
    """One axis: its name with the unit, and the values between which it has ticks and, where ``drawn`` is
    given, its line."""

    name: str
    low: float
    high: float
    drawn: tuple[float, float] | None = None
    grid: bool = True
    name_at_end: bool = False


def ruled(axes: Any, across: Ruler, up: Ruler) -> None:
    """Draw both axes, once their limits stand for good."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    xs, ys = _ticks(axes.xaxis, across), _ticks(axes.yaxis, up)
    axes.set_axis_off()
    grid = [[(left, y), (right, y)] for y in ys] if up.grid else []
    grid += [[(x, bottom), (x, top)] for x in xs] if across.grid else []
    strokes(axes, grid, colors=PALE, linewidths=0.6, zorder=0.5)
    x_line, y_line = across.drawn or (left, right), up.drawn or (bottom, top)
    lines = [[(x_line[0], bottom), (x_line[1], bottom)], [(left, y_line[0]), (left, y_line[1])]]
    strokes(axes, lines, colors=STONE, linewidths=0.8, zorder=2.5, clip_on=False)
    look = {"color": INK, "linestyle": "none", "markersize": _TICK_PT, "clip_on": False, "zorder": 2.01}
    trace(axes, xs, [bottom] * len(xs), marker=3, **look)  # 3, 0: ticks down and left
    trace(axes, [left] * len(ys), ys, marker=0, **look)
    _words_across(axes, across, xs, bottom)
    _words_up(axes, up, ys, left)


def _ticks(axis: Any, ruler: Ruler) -> list[float]:
    """Asked of the axis' locator: asking the axis itself makes its ticks."""
    at = axis.get_major_locator().tick_values(*sorted(axis.get_view_interval()))
    return [float(x) for x in at if ruler.low <= x <= ruler.high]


def tick_words(at: Sequence[float]) -> list[str]:
    """Values evenly apart, all with as many decimals as their step wants."""
    step = min((b - a for a, b in pairwise(at)), default=abs(at[0]) if at else 1.0)
    places = next((n for n in range(6) if abs(round(step, n) - step) < 1e-9 * max(1.0, step)), 6)
    return [f"{x + 0.0:.{places}f}".replace("-", "\N{MINUS SIGN}") for x in at]


def _words_across(axes: Any, ruler: Ruler, at: Sequence[float], bottom: float) -> None:
    down = _TICK_PT + _PAD_PT
    below = shifted(axes, 0.0, -down)
    for x, word in zip(at, tick_words(at), strict=True):
        axes.text(x, bottom, word, transform=below, ha="center", va="top")
    name_down = down + _LINE_EM * FONT_SIZE + _NAME_PAD_PT
    middle = 0.5 * sum(axes.get_xlim())
    axes.text(middle, bottom, ruler.name, transform=shifted(axes, 0.0, -name_down), ha="center", va="top")


def _words_up(axes: Any, ruler: Ruler, at: Sequence[float], left: float) -> None:
    words, out = tick_words(at), _TICK_PT + _PAD_PT
    beside = shifted(axes, -out, 0.0)
    for y, word in zip(at, words, strict=True):
        axes.text(left, y, word, transform=beside, ha="right", va="center_baseline")
    out += _DIGIT_EM * FONT_SIZE * max(map(len, words), default=0) + _NAME_PAD_PT
    low, high = axes.get_ylim()
    y, va = (high, "top") if ruler.name_at_end else (0.5 * (low + high), "center")
    axes.text(
        left,
        y,
        ruler.name,
        transform=shifted(axes, -out, 0.0),
        rotation=90,
        rotation_mode="default",
        ha="right",
        va=va,
    )


def shifted(axes: Any, right_pt: float, up_pt: float) -> Any:
    """The axes' own places, moved by points."""
    from matplotlib.transforms import ScaledTranslation

    scale = axes.figure.dpi_scale_trans
    return axes.transData + ScaledTranslation(right_pt / _POINTS_PER_INCH, up_pt / _POINTS_PER_INCH, scale)


def label_beside(axes: Any, x: float, y: float, text: str, colour: str) -> None:
    """Write a series' name right of its last point. Places are plain numbers."""
    axes.text(
        x,
        y,
        text,
        transform=shifted(axes, 5.0, 0.0),
        color=colour,
        va="center",
        ha="left",
        fontsize=FONT_SIZE - 0.5,
    )


def trace(axes: Any, xs: Any, ys: Any, **look: Any) -> None:
    """One curve, or a row of marks, on axes whose limits are set: nothing has to be fitted to it."""
    from matplotlib.lines import Line2D

    axes.add_artist(Line2D(xs, ys, **look))


def strokes(axes: Any, lines: Sequence[Sequence[tuple[float, float]]], **look: Any) -> None:
    """Many lines as one artist."""
    from matplotlib.collections import LineCollection

    if lines:
        axes.add_collection(LineCollection([list(line) for line in lines], **look), autolim=False)


def areas(axes: Any, outlines: Sequence[Sequence[tuple[float, float]]], **look: Any) -> None:
    """Many areas as one artist."""
    from matplotlib.collections import PolyCollection

    axes.add_collection(PolyCollection([list(o) for o in outlines if o], **look), autolim=False)


def write_picture(figure: Any, path: Path) -> None:
    """Write a PNG or SVG file, as the path's ending says. A PNG has no need of a transparent ground, and
    packs in half the time without."""
    if path.suffix.lower() != ".png":
        figure.savefig(path)
        return
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas: Any = FigureCanvasAgg(figure)
    with_kept_letters(canvas.get_renderer())
    canvas.draw()
    size = canvas.get_width_height()
    image = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    image.convert("RGB").save(path, format="png", compress_level=_PACKING, dpi=(DPI, DPI))
