"""The long section of a zone: barrels, lines, plants, and how high the water would stand at each place.

A plant is reached where the hydraulic grade line runs above it. The three levels differ by their dash, the
emitters by their mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from scheduler.pictures.ruling import Ruler, areas, ruled, strokes, trace, write_picture
from scheduler.pictures.scales import Scale, along_scale, level_scale
from scheduler.pictures.style import (
    EARTH,
    FONT_SIZE,
    INK,
    PALE,
    STONE,
    WATER,
    axes_in,
    drawing,
    kept_inside,
    label_at,
    new_picture,
)
from scheduler.site.model import DisplayUnits
from scheduler.survey.section import LongSection, Places, SectionEmitter, SectionPlant
from scheduler.survey.sentences import show_height

# Inches of the picture without the plants' names, and of one of their letters (they stand steeply).
_HEIGHT_IN = 4.9
_LETTER_IN = 0.054
# All barrels side by side take this share of the length of the lines.
_BARRELS_SHARE = 0.34
# More names than this stand too close to be read.
_NAMES_MAX = 22
# Length of a written name.
_LETTERS_MAX = 26
# Grade lines closer than this share of the height are drawn once.
_SAME_SHARE = 0.015
# The words for the marks: how many to a row, how high a row, how far the last stands from the edge, inches.
_MARKS_IN_ROW, _MARKS_ROW_IN, _MARKS_BOTTOM_IN = 2, 0.19, 0.16
DASHES = {"full": "-", "half": (0, (6, 2)), "low": (0, (1.5, 1.5))}


def draw_long_section(
    section: LongSection, path: Path, *, units: DisplayUnits = "metric", of: str = ""
) -> None:
    """Draw to a PNG or SVG file, as the path's ending says. ``of``: which garden and day."""
    height, along = level_scale(units), along_scale(units)
    names = [(plant, *_name_words(plant, units)) for plant in _named(section.plants)]
    names_in = 0.25 + _LETTER_IN * max((len(text) for _, text, _ in names), default=0)
    with drawing() as make:
        title = f"{section.name}: which plants the water reaches"
        more_in = _MARKS_ROW_IN * (_mark_rows(section) - 1)
        figure = new_picture(make, _HEIGHT_IN + names_in + more_in, title, _summary(section, units), of)
        axes = axes_in(figure, 0.62, 0.15, 0.95 + more_in, 0.72)
        left = -_BARRELS_SHARE * along(section.length_m)
        axes.set_xlim(left - 0.16 * along(section.length_m), along(section.length_m) * 1.03)
        rulers = _rulers(axes, section, height, along, names_in)
        _barrels(axes, section, height, left)
        _lines(axes, section, height, along)
        _grades(axes, section, units, left)
        _emitters(axes, section, height, along)
        _names(axes, section, height, along, names)
        _words_for_marks(figure, section)
        ruled(axes, *rulers)
        write_picture(figure, path)


def _summary(section: LongSection, units: DisplayUnits) -> str:
    never = [p for p in section.plants if p.stops_m is None]
    early = [p for p in section.plants if p.stops_m]
    if never:
        return f"Never reached: {_some([p.name for p in never])}."
    if early:
        worst = max(early, key=lambda p: p.stops_m or 0.0)
        return f"First to fall dry: {worst.name}, below {show_height(worst.stops_m or 0.0, units)} of water."
    return "Every plant gets water until the barrels are down to the outlet."


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _bounds(section: LongSection) -> tuple[float, float]:
    heights = [h for line in section.lines for _, h in line.places]
    heights += [e.height_m for e in section.emitters]
    low = min([0.0, *heights, *(b.base_m for b in section.barrels)])
    return low, max(section.brim_m, *(b.brim_m for b in section.barrels), *heights)


def _rulers(
    axes: Any, section: LongSection, height: Scale, along: Scale, names_in: float
) -> tuple[Ruler, Ruler]:
    """Heights for the garden above, and room for the names below; ticks only where the garden is."""
    low, high = (height(v) for v in _bounds(section))
    span = high - low
    box_in = axes.get_position().height * axes.figure.get_size_inches()[1]
    room = span * names_in / (box_in - names_in)
    axes.set_ylim(low - room, high + 0.10 * span)
    strokes(axes, [[(x, 0.0) for x in axes.get_xlim()]], colors=STONE, linewidths=1.0, zorder=0.6)
    across = Ruler(
        f"pipe from the outlet, {along.unit}", low=0.0, high=along(section.length_m) * 1.03, grid=False
    )
    up = Ruler(
        f"height above the datum, {height.unit}",
        low=low - 0.04 * span,
        high=high + 0.05 * span,
        drawn=(low, high),
        name_at_end=True,
    )
    return across, up


def _barrels(axes: Any, section: LongSection, height: Scale, left: float) -> None:
    """To scale in height; in width squeezed to fit. The outlet's barrel stands next to the lines."""
    gap = 0.12
    widths = [b.width_m for b in section.barrels]
    total = sum(widths) + gap * len(widths)
    squeeze = -left / total
    right, walls = 0.0, []
    for barrel in section.barrels:
        right -= gap * squeeze
        middle = right - 0.5 * barrel.width_m * squeeze
        walls.append([(middle + x * squeeze, height(z)) for x, z in barrel.outline])
        right -= barrel.width_m * squeeze
    areas(axes, walls, facecolor="white", edgecolor=INK, linewidth=1.2, zorder=2)
    for number, grade in enumerate(reversed(section.grades)):
        filled = [
            _filled(wall, height(min(grade.water_m, barrel.brim_m)))
            for wall, barrel in zip(walls, section.barrels, strict=True)
        ]
        areas(axes, filled, facecolor=WATER, alpha=(0.34, 0.16, 0.10)[number], linewidth=0, zorder=2.1)
        surfaces = [_surface(places) for places in filled if places]
        strokes(axes, surfaces, colors=WATER, linestyles=DASHES[grade.name], linewidths=1.3, zorder=2.2)


def _filled(wall: list[tuple[float, float]], top: float) -> list[tuple[float, float]]:
    """The part of an outline up to a height; empty when all of it stands above."""
    out: list[tuple[float, float]] = []
    for (x, z), (next_x, next_z) in zip(wall, [*wall[1:], wall[0]], strict=True):
        if z <= top:
            out.append((x, z))
        if (z <= top) != (next_z <= top):
            out.append((x + (next_x - x) * (top - z) / (next_z - z), top))
    return out if len(out) > 2 else []


def _surface(filled: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Both ends of the water's surface in a barrel."""
    top = max(z for _, z in filled)
    ends = [x for x, z in filled if z == top]
    return [(min(ends), top), (max(ends), top)]


def _lines(axes: Any, section: LongSection, height: Scale, along: Scale) -> None:
    pipes = [[(along(x), height(z)) for x, z in line.places] for line in section.lines]
    first = min((place for line in section.lines for place in line.places), default=None)
    if first is not None:
        pipes.append([(0.0, height(section.outlet_m)), (along(first[0]), height(first[1]))])
    strokes(axes, pipes, colors=STONE, linewidths=2.2, capstyle="round", zorder=2.5)
    trace(axes, [0.0], [height(section.outlet_m)], marker="s", markersize=5, color=INK, zorder=4)


def _grades(axes: Any, section: LongSection, units: DisplayUnits, left: float) -> None:
    height, along = level_scale(units), along_scale(units)
    span = axes.get_ylim()[1] - axes.get_ylim()[0]
    wanted = [height(grade.water_m) for grade in section.grades]
    spots = kept_inside(wanted, 0.062 * span, height(section.outlet_m), axes.get_ylim()[1])
    for grade, spot in zip(section.grades, spots, strict=True):
        apart = _apart(list(grade.lines.values()), _SAME_SHARE * (section.brim_m - section.outlet_m))
        lines = [[(along(x), height(z)) for x, z in places] for places in apart]
        strokes(axes, lines, colors=WATER, linestyles=DASHES[grade.name], linewidths=1.3, zorder=3)
        text = f"{grade.name} \n{show_height(grade.level_m, units)} "
        label_at(axes, left, spot, text, WATER, ha="right")
    small = {"fontsize": FONT_SIZE - 1, "zorder": 1}
    words = "hydraulic grade line: how high water would stand"
    over_brim = height(section.brim_m) + 0.012 * span
    label_at(axes, 0.5 * along(section.length_m), over_brim, words, WATER, ha="center", va="bottom", **small)
    base = height(min(b.base_m for b in section.barrels)) - 0.02 * span
    words = "water above\nthe outlet"
    label_at(axes, left, base, words, WATER, va="top", linespacing=1.0, **small)


def _apart(lines: list[Places], same_m: float) -> list[Places]:
    """Grade lines, the furthest first, without the parts that run on one drawn already: dashes that lie on
    dashes make a full line."""
    out: list[Places] = []
    for places in sorted(lines, key=lambda p: -max(x for x, _ in p)):
        covered = [any(_reaches(p, x) and abs(_height_at(p, x) - z) < same_m for p in out) for x, z in places]
        piece: list[tuple[float, float]] = []
        pieces = []
        for k, place in enumerate(places):
            # A covered place still ends a piece that comes from, or goes on to, an uncovered one.
            beside = not all(covered[max(0, k - 1) : k + 2])
            if beside:
                piece.append(place)
            elif piece:
                pieces.append(tuple(piece))
                piece = []
        out += [*pieces, tuple(piece)] if len(piece) > 1 else pieces
    return out


def _reaches(places: Places, at_m: float) -> bool:
    return min(x for x, _ in places) <= at_m <= max(x for x, _ in places)


def _height_at(places: Places, at_m: float) -> float:
    """Of the piece of a line that passes there."""
    for (a, low), (b, high) in pairwise(places):
        if min(a, b) <= at_m <= max(a, b):
            return low if a == b else low + (high - low) * (at_m - a) / (b - a)
    return places[-1][1]


# Marks of an emitter by how many of the three levels reach it, and their words.
MARKS: dict[int, tuple[dict[str, Any], str]] = {
    3: ({"marker": "o", "fillstyle": "full"}, "gets water even at the low level"),
    2: ({"marker": "o", "fillstyle": "bottom", "markerfacecoloralt": "white"}, "down to the half level"),
    1: ({"marker": "o", "fillstyle": "none"}, "only above the half level"),
    0: ({"marker": "X", "fillstyle": "full"}, "never"),
}


def _mark(emitter: SectionEmitter) -> tuple[dict[str, Any], str]:
    return MARKS[sum(emitter.reached())]


def _look(count: int) -> dict[str, Any]:
    return {"color": EARTH if count == 0 else INK, "markersize": 6, "linestyle": "none", "zorder": 5}


def _emitters(axes: Any, section: LongSection, height: Scale, along: Scale) -> None:
    for count, (mark, _) in MARKS.items():
        own = [e for e in section.emitters if sum(e.reached()) == count]
        if not own:
            continue
        trace(
            axes, [along(e.along_m) for e in own], [height(e.height_m) for e in own], **_look(count), **mark
        )


def _mark_counts(section: LongSection) -> list[int]:
    """By how many levels its emitters are reached, each number once."""
    return sorted({sum(e.reached()) for e in section.emitters}, reverse=True)


def _mark_rows(section: LongSection) -> int:
    return max(1, -(-len(_mark_counts(section)) // _MARKS_IN_ROW))


def _words_for_marks(figure: Any, section: LongSection) -> None:
    """What the marks mean, below the picture, two to a row."""
    from matplotlib.lines import Line2D

    counts = _mark_counts(section)
    width_in, height_in = figure.get_size_inches()
    top_in = _MARKS_BOTTOM_IN + _mark_rows(section) * _MARKS_ROW_IN
    figure.text(0.17 / width_in, top_in / height_in, "An emitter", va="center", fontsize=FONT_SIZE - 0.5)
    for number, count in enumerate(counts):
        row, column = divmod(number, _MARKS_IN_ROW)
        x = (0.29 + column * 0.5 * width_in) / width_in
        y = (top_in - (row + 1) * _MARKS_ROW_IN) / height_in
        figure.add_artist(Line2D([x], [y], **_look(count), **MARKS[count][0]))
        figure.text(x + 0.14 / width_in, y, MARKS[count][1], va="center_baseline", fontsize=FONT_SIZE - 0.5)


def _names(
    axes: Any, section: LongSection, height: Scale, along: Scale, names: list[tuple[SectionPlant, str, str]]
) -> None:
    if not names:
        return
    low, high = axes.get_xlim()
    width_in = axes.get_position().width * axes.figure.get_size_inches()[0]
    least = (high - low) / width_in * 0.165
    spots = kept_inside([along(p.along_m) for p, _, _ in names], least, low + 2 * least, high - 0.3 * least)
    bottom = height(_bounds(section)[0])
    span = axes.get_ylim()[1] - axes.get_ylim()[0]
    knee = bottom - 0.03 * span
    leaders = []
    for (plant, text, colour), spot in zip(names, spots, strict=True):
        x, z = along(plant.along_m), height(plant.height_m)
        leaders.append([(x, z), (x, bottom), (spot, knee)])
        axes.text(
            spot,
            knee - 0.005 * span,
            text,
            rotation=58,
            rotation_mode="anchor",
            ha="right",
            va="center",
            fontsize=FONT_SIZE - 1,
            color=colour,
        )
    strokes(axes, leaders, colors=PALE, linewidths=0.8, zorder=1)


def _named(plants: Sequence[SectionPlant]) -> list[SectionPlant]:
    """Those in trouble first, then as many of the others as can be read; by their place again."""
    if len(plants) <= _NAMES_MAX:
        return list(plants)
    in_trouble = [p for p in plants if p.stops_m is None or p.stops_m > 0.0]
    others = [p for p in plants if p.stops_m == 0.0]
    room = max(0, _NAMES_MAX - len(in_trouble))
    step = max(1, -(-len(others) // room)) if room else len(others) + 1
    return sorted((in_trouble + others[::step])[:_NAMES_MAX], key=lambda p: p.along_m)


def _name_words(plant: SectionPlant, units: DisplayUnits) -> tuple[str, str]:
    name = plant.name if len(plant.name) <= _LETTERS_MAX else plant.name[: _LETTERS_MAX - 1] + "…"
    if plant.stops_m is None:
        return f"{name}: never", EARTH
    if plant.stops_m > 0.0:
        return f"{name}: dry below {show_height(plant.stops_m, units)}", EARTH
    return name, INK
