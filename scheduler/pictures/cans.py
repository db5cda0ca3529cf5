"""A catch-can map: what each can caught against what it should have, at its place along the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scheduler.pictures.ruling import write_picture
from scheduler.pictures.scales import along_scale
from scheduler.pictures.style import (
    EARTH,
    FONT_SIZE,
    INK,
    LEAF,
    PALE,
    STONE,
    WATER,
    axes_in,
    drawing,
    new_picture,
)
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_share

# A can within this share of what it should hold is right (the tolerance of the trimming round).
RIGHT_SHARE = 0.10
# Less than this share is a dry emitter.
DRY_SHARE = 0.02
# Upper and lower end of a strip over its highest mark, where figures stand in up to three rows; where the
# brackets of the plants stand, and their names.
_HEADROOM, _FOOT, _BRACKET, _NAME = 1.38, -0.66, -0.27, -0.38
# A can far over is drawn at the edge with its figure.
_MOST_SHARE = 2.0
# Inches of a line's strip, and of what stands around the strips.
_STRIP_IN, _AROUND_IN = 2.8, 1.45
# Cans whose millilitres are written: more would run into each other.
_WRITTEN_MAX = 14
# Width of a letter of the figures, inches, and how far off a figure may stand, in rows.
_FIGURE_IN = 0.078
_ROWS_MAX = 3
# US fluid ounce, exact (NIST Handbook 44 Appendix C), mL.
_ML_PER_OUNCE = 29.5735295625


@dataclass(frozen=True, slots=True)
class Can:
    """One can under one emitter. ``caught_l`` None: no can stood there, or it was spilt.

    ``wanted_l``: what it should have caught in that time by the trimming targets; ``sd_l``: one standard
    deviation of the reading, None if not known.
    """

    emitter: str
    plant: str
    line: str
    at_m: float
    wanted_l: float
    caught_l: float | None
    sd_l: float | None = None


@dataclass(frozen=True, slots=True)
class CanMap:
    """The cans of one zone. ``uniformity``: low-quarter uniformity and ``grade``, its class in a word; None:
    not worked out. ``minutes``: how long the cans stood."""

    title: str
    cans: tuple[Can, ...]
    uniformity: float | None
    grade: str | None
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """How a can of one kind looks and what it is called."""

    words: str
    marker: str
    colour: str


RIGHT = Finding("right, within 10 %", "o", LEAF)
LITTLE = Finding("too little", "v", EARTH)
MUCH = Finding("too much", "^", WATER)
DRY = Finding("dry", "X", EARTH)
UNKNOWN = Finding("not measured", "$?$", INK)
# Letters of a plant's name to the inch.
_LETTERS_PER_IN = 14.0


def finding(can: Can) -> Finding:
    """Which kind a can is."""
    if can.caught_l is None or can.wanted_l <= 0.0:
        return UNKNOWN
    share = can.caught_l / can.wanted_l
    if share < DRY_SHARE:
        return DRY
    if abs(share - 1.0) <= RIGHT_SHARE:
        return RIGHT
    return LITTLE if share < 1.0 else MUCH


def draw_cans(cans: CanMap, path: Path, *, units: DisplayUnits = "metric", of: str = "") -> None:
    """Draw to a PNG or SVG file, as the path's ending says; one strip for each line. ``of``: which garden.
    ValueError without a can."""
    if not cans.cans:
        raise ValueError("a map of no cans cannot be drawn")
    lines = list(dict.fromkeys(c.line for c in cans.cans))
    along = along_scale(units)
    with drawing() as make:
        height_in = _AROUND_IN + _STRIP_IN * len(lines)
        figure = new_picture(make, height_in, cans.title, _verdict(cans), of)
        right = 1.04 * max(along(c.at_m) for c in cans.cans)
        for number, line in enumerate(lines):
            bottom = 0.95 + _STRIP_IN * (len(lines) - 1 - number)
            axes = axes_in(figure, 0.68, 0.25, bottom, height_in - bottom - _STRIP_IN + 0.58)
            axes.set_xlim(0.0, right)
            _strip(axes, [c for c in cans.cans if c.line == line], along.factor, units)
            axes.set_title(f"Line {line}", fontsize=FONT_SIZE)
            if number == len(lines) - 1:
                axes.set_xlabel(f"along the line, {along.unit}")
        _legend(figure, cans.cans, units)
        write_picture(figure, path)


def _verdict(cans: CanMap) -> str:
    known = sum(c.caught_l is not None for c in cans.cans)
    over = f" in {cans.minutes:g} minutes" if cans.minutes is not None else ""
    counted = f"{known} of {len(cans.cans)} cans measured{over}."
    if cans.uniformity is None or cans.grade is None:
        return f"{counted} Evenness not worked out."
    return f"{counted} {cans.grade.capitalize()}: low quarter {show_share(cans.uniformity)} of the mean."


def _strip(axes: Any, cans: Sequence[Can], along: float, units: DisplayUnits) -> None:
    axes.axhspan(100 * (1 - RIGHT_SHARE), 100 * (1 + RIGHT_SHARE), color=PALE, alpha=0.6, linewidth=0)
    axes.axhline(100.0, color=INK, linewidth=0.9)
    shares = [100.0 * c.caught_l / c.wanted_l for c in cans if c.caught_l is not None and c.wanted_l > 0.0]
    top = min(100.0 * _MOST_SHARE, max(150.0, 1.2 * max(shares, default=100.0)))
    axes.set_ylim(_FOOT * top, _HEADROOM * top)
    axes.set_yticks([0, 50, 100, 150, 200][: 1 + int(top // 50)])
    axes.spines["left"].set_bounds(0.0, top)
    axes.set_ylabel("% of wanted")
    axes.grid(visible=False, axis="x")
    written = len(cans) <= _WRITTEN_MAX
    taken: list[tuple[float, float]] = []  # middles of the figures written so far
    for can in sorted(cans, key=lambda c: c.at_m):
        _can(axes, can, along, top)
        if finding(can) in (LITTLE, MUCH) or (written and finding(can) is RIGHT):
            _figure(axes, can, along, top, units, taken)
    _plants(axes, cans, along, top)


def _plants(axes: Any, cans: Sequence[Can], along: float, top: float) -> None:
    """Each plant's name under a bracket over its cans; in two rows, so that neighbours do not meet."""
    spans: dict[str, list[float]] = {}
    for can in cans:
        spans.setdefault(can.plant, []).append(can.at_m * along)
    order = sorted(spans, key=lambda p: sum(spans[p]) / len(spans[p]))
    middles = [sum(spans[p]) / len(spans[p]) for p in order]
    width_in = axes.get_position().width * axes.figure.get_size_inches()[0]
    per_letter = (axes.get_xlim()[1] - axes.get_xlim()[0]) / width_in / _LETTERS_PER_IN
    for number, (plant, middle) in enumerate(zip(order, middles, strict=True)):
        beside = [abs(middle - m) for k, m in enumerate(middles) if k != number and (k - number) % 2 == 0]
        room = max(3, int(min(beside, default=1e9) / per_letter)) if beside else 40
        name = plant if len(plant) <= room else plant[: room - 1] + "…"
        ends = [min(spans[plant]), max(spans[plant])]
        axes.plot(ends, [_BRACKET * top] * 2, color=STONE, marker="|", markersize=5, linewidth=1.0)
        low = _NAME * top - 0.16 * top * (number % 2)
        half = 0.5 * len(name) * per_letter
        x = min(max(middle, half), axes.get_xlim()[1] - half)
        axes.text(x, low, name, ha="center", va="center", fontsize=FONT_SIZE - 1)


def _can(axes: Any, can: Can, along: float, top: float) -> None:
    look, x = finding(can), can.at_m * along
    mark = {"marker": look.marker, "color": look.colour, "markersize": 7, "linestyle": "none"}
    if can.caught_l is None or can.wanted_l <= 0.0:
        round_it = {"facecolor": "white", "edgecolor": INK, "boxstyle": "circle,pad=0.15", "linewidth": 0.8}
        axes.text(
            x, 100.0, "?", ha="center", va="center", fontsize=FONT_SIZE, color=INK, bbox=round_it, zorder=5
        )
        return
    value = min(100.0 * can.caught_l / can.wanted_l, top)
    axes.plot([x, x], [100.0, value], color=look.colour, linewidth=1.2, zorder=3)
    if can.sd_l is not None:
        off = 100.0 * can.sd_l / can.wanted_l
        axes.plot([x, x], [value - off, value + off], color=look.colour, linewidth=5, alpha=0.25, zorder=4)
    axes.plot([x], [value], **mark, zorder=5, clip_on=False)


def _figure(
    axes: Any, can: Can, along: float, top: float, units: DisplayUnits, taken: list[tuple[float, float]]
) -> None:
    """What it caught, on the far side of its mark; further off where other figures stand too near."""
    assert can.caught_l is not None
    look, x = finding(can), can.at_m * along
    value = min(100.0 * can.caught_l / can.wanted_l, top)
    above = value >= 100.0
    text = _small_volume(can.caught_l, units)
    width_in, height_in = axes.get_position().size * axes.figure.get_size_inches()
    point = (axes.get_ylim()[1] - axes.get_ylim()[0]) / (72.0 * height_in)
    wide = _FIGURE_IN * max(2, len(text)) / width_in * axes.get_xlim()[1]
    off = 0.0
    for row in range(_ROWS_MAX):
        off = (7.0 + 9.0 * row) * (1 if above else -1)
        here = (x, value + off * point)
        if all(abs(x - a) > wide or abs(here[1] - b) > 8.5 * point for a, b in taken):
            break
    else:
        return  # no room: the table that goes with the map has it
    taken.append((x, value + off * point))
    axes.annotate(
        text,
        (x, value),
        (0, off),
        textcoords="offset points",
        ha="center",
        va="bottom" if above else "top",
        fontsize=FONT_SIZE - 1.5,
        color=look.colour,
        annotation_clip=False,
    )


def _small_volume(volume_l: float, units: DisplayUnits) -> str:
    """A can's content without its unit, which the legend names: millilitres, or fluid ounces."""
    if units == "us":
        return f"{1000.0 * volume_l / _ML_PER_OUNCE:.1f}"
    return f"{1000.0 * volume_l:.0f}"


def _legend(figure: Any, cans: Sequence[Can], units: DisplayUnits) -> None:
    from matplotlib.lines import Line2D

    kinds = [k for k in (RIGHT, LITTLE, MUCH, DRY, UNKNOWN) if any(finding(c) is k for c in cans)]
    handles = [
        Line2D([], [], label=k.words, marker=k.marker, color=k.colour, markersize=6, linestyle="none")
        for k in kinds
    ]
    figure.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(0.0, 0.0),
        ncols=len(handles),
        frameon=False,
        fontsize=FONT_SIZE - 0.5,
        handletextpad=0.1,
        columnspacing=0.9,
        title=f"Figures: {'fl oz' if units == 'us' else 'mL'} caught",
        title_fontsize=FONT_SIZE - 0.5,
        alignment="left",
    )
