"""One visual language for every picture: names beside what they name, units on axes, colour never alone.

What differs by colour differs by line or marker too, so that a picture reads in grey and with any eyes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from scheduler.pictures.loading import loading_for_paper

# Colours that stay apart for colour-blind eyes and in grey (chosen by lightness: dark to light).
INK = "#1b2a33"
WATER = "#14618c"
EARTH = "#b3541e"
LEAF = "#3f7d3a"
STONE = "#8a949b"
PALE = "#d8dee2"

FONT_SIZE = 9.0
DPI = 130
# Width of a picture for a phone or half a sheet of paper, inches.
WIDTH_IN = 6.4
# Letters of the small line that names the garden, as many as go into that width.
OF_LETTERS = 110


@dataclass(frozen=True, slots=True)
class Stroke:
    """How one series looks in every picture."""

    colour: str
    dash: str
    marker: str


STROKES = (
    Stroke(WATER, "-", "o"),
    Stroke(EARTH, "--", "s"),
    Stroke(LEAF, "-.", "^"),
    Stroke(INK, ":", "D"),
    Stroke(STONE, "-", "v"),
)
# Zones beside the garden's own water and a fixed timer, which keep blue and orange to themselves.
ZONE_STROKES = (
    Stroke(LEAF, "-", "o"),
    Stroke(INK, "--", "s"),
    Stroke(STONE, "-.", "^"),
    Stroke(LEAF, ":", "D"),
    Stroke(INK, "-.", "v"),
)

SETTINGS: dict[str, Any] = {
    "font.size": FONT_SIZE,
    "font.family": "DejaVu Sans",
    "text.color": INK,
    "axes.edgecolor": STONE,
    "axes.labelcolor": INK,
    "axes.titlesize": FONT_SIZE + 1,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "lines.linewidth": 1.4,
    "figure.dpi": DPI,
    "savefig.dpi": DPI,
    # Letters where they belong, to a part of a pixel: fitting them to pixels takes a sixth of the time.
    "text.hinting": "no_hinting",
    # Names are people's own: a dollar in them begins no formula.
    "text.parse_math": False,
    "svg.hashsalt": "fallinghead",
}


def stroke(index: int) -> Stroke:
    """The look of the series with that number; they repeat after the last."""
    return STROKES[index % len(STROKES)]


@contextmanager
def drawing() -> Iterator[Any]:
    """matplotlib's ``Figure`` with this language; loaded only here, and without the parts for a screen."""
    import matplotlib as mpl

    with loading_for_paper():
        import matplotlib.backends.backend_agg
        from matplotlib.figure import Figure

    settings: Any = SETTINGS  # the stubs want literal keys
    with mpl.rc_context(settings):
        yield Figure


def label_at_end(axes: Any, x: Any, y: float, text: str, colour: str, *, lift: float = 0.0) -> None:
    """Write a series' name right of its last point."""
    axes.annotate(
        text,
        xy=(x, y),
        xytext=(5, lift),
        textcoords="offset points",
        color=colour,
        va="center",
        ha="left",
        fontsize=FONT_SIZE - 0.5,
        annotation_clip=False,
    )


def new_picture(make: Any, height_in: float, title: str, below: str = "", of: str = "") -> Any:
    """A figure (``make``: what ``drawing`` gave) as wide as a phone held upright shows it in legible letters,
    with its title, a line under it, and small below that ``of`` which garden and day it is. Axes are put in
    by hand: the automatic layout takes as long as the drawing."""
    figure = make(figsize=(WIDTH_IN, height_in))
    figure.text(0.02, 1.0 - 0.10 / height_in, title, va="top", fontsize=FONT_SIZE + 2, fontweight="bold")
    if below:
        figure.text(0.02, 1.0 - 0.36 / height_in, below, va="top", fontsize=FONT_SIZE)
    if of:
        short = of if len(of) <= OF_LETTERS else f"{of[: OF_LETTERS - 1]}…"
        figure.text(0.02, 1.0 - 0.54 / height_in, short, va="top", fontsize=FONT_SIZE - 2)
    return figure


def axes_in(figure: Any, left: float, right: float, bottom: float, top: float) -> Any:
    """Axes with margins in inches."""
    width, height = figure.get_size_inches()
    return figure.add_axes(
        (left / width, bottom / height, (width - left - right) / width, (height - top - bottom) / height)
    )


def label_at(axes: Any, x: float, y: float, text: str, colour: str = INK, **more: Any) -> None:
    """Write at a point on a patch of thin white, so that a line behind it shows but does not disturb."""
    look: dict[str, Any] = {"fontsize": FONT_SIZE - 0.5, "va": "center", "ha": "left", "zorder": 6}
    # Letters edged in white would be drawings, no text, in an SVG.
    look["bbox"] = {"facecolor": "white", "edgecolor": "none", "pad": 0.3, "alpha": 0.65}
    axes.text(x, y, text, color=colour, **{**look, **more})


def kept_inside(values: list[float], least: float, low: float, high: float) -> list[float]:
    """As ``spread_labels``, and none beyond ``low`` or ``high`` as long as there is room."""
    placed = spread_labels(values, least)
    order = sorted(range(len(placed)), key=lambda i: placed[i])
    floor = low
    for i in order:
        placed[i] = max(placed[i], floor)
        floor = placed[i] + least
    ceiling = high
    for i in reversed(order):
        placed[i] = min(placed[i], ceiling)
        ceiling = placed[i] - least
    return placed


def label_with_leader(
    axes: Any, end: tuple[Any, float], spot: tuple[Any, float], text: str, colour: str
) -> None:
    """A series' name at a free spot right of the axes, tied to the end of its line."""
    axes.plot(
        [end[0], spot[0]], [end[1], spot[1]], color=colour, linewidth=0.8, clip_on=False, zorder=1, marker=""
    )
    label_at_end(axes, spot[0], spot[1], text, colour)


def spread_labels(values: list[float], least: float) -> list[float]:
    """Shift label heights apart so that none is nearer than ``least``, each as little as can be: order and
    mean are kept, and one that has room stays where it is."""
    order = sorted(range(len(values)), key=lambda i: values[i])
    # Groups that stand close, by the height at which their first would stand; a group that meets the one
    # below joins it at their mean.
    groups: list[tuple[float, int]] = []
    for n, i in enumerate(order):
        mean, count = values[i] - n * least, 1
        while groups and groups[-1][0] > mean:
            before, more = groups.pop()
            mean, count = (before * more + mean * count) / (more + count), more + count
        groups.append((mean, count))
    starts = [mean for mean, count in groups for _ in range(count)]
    out = [0.0] * len(values)
    for n, i in enumerate(order):
        out[i] = starts[n] + n * least
    return out


def held_back(axes: Any, reserve: float, top: float) -> None:
    """The levels whose water is held back, the same in every picture; ``top``: where its words stand."""
    if reserve > 0.0:
        axes.axvspan(0.0, reserve, facecolor="none", edgecolor=STONE, hatch="///", linewidth=0, alpha=0.5)
        label_at(axes, reserve, top, " held back ", STONE, ha="left", fontsize=FONT_SIZE - 1)
