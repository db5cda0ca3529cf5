"""Run time for the same litres against the level: why a fixed timer starves a garden as the barrels fall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.pictures.ruling import Ruler, label_beside, ruled, trace, write_picture
from scheduler.pictures.scales import level_scale
from scheduler.pictures.style import (
    STONE,
    axes_in,
    drawing,
    kept_inside,
    label_at,
    new_picture,
    stroke,
)
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_volume
from scheduler.survey.run_times import RunTimes
from scheduler.survey.sentences import show_height

Array = NDArray[np.float64]

_HEIGHT_IN = 4.4
# Minutes are written over each curve at these shares of the height; those from full barrels at its end.
_WRITTEN_AT = (0.25, 0.5)
# Heights above (or below) its curve at which a figure may stand, the first that is free, as shares of the
# height; how far it keeps from curves and other figures, and how much of the width it takes.
_FIGURE_OFF = (0.055, -0.055, 0.11, -0.11, 0.165, -0.165, 0.22, -0.22)
_FIGURE_ROOM, _FIGURE_WIDE = 0.038, 0.13
# Curves closer than this share of the height have one figure between them.
_ALIKE_SHARE = 0.01
# A strip narrower than this share of the axis is not worth its words.
_STRIP_SHARE = 0.03
# Longer than so many times the run from full barrels is cut off: the curve climbs without end.
_CUT_TIMES = 4.0


def draw_run_times(
    tables: Sequence[RunTimes],
    path: Path,
    *,
    title: str,
    names: Mapping[str, str] | None = None,
    units: DisplayUnits = "metric",
    of: str = "",
) -> None:
    """Draw to a PNG or SVG file, as the path's ending says; one curve a zone. ``names``: of the zones;
    ``of``: which garden and day."""
    level = level_scale(units)
    with drawing() as make:
        figure = new_picture(make, _HEIGHT_IN, title, _below(tables), of)
        axes = axes_in(figure, 0.62, 1.75, 0.55, 0.72)
        axes.set_xlim(0.0, max(level(float(t.levels_m[-1])) for t in tables))
        axes.set_ylim(0.0, _top(tables))
        ends = [_last(t) for t in tables]
        spots = kept_inside(ends, 0.12 * axes.get_ylim()[1], 0.03 * axes.get_ylim()[1], axes.get_ylim()[1])
        for number, (table, spot) in enumerate(zip(tables, spots, strict=True)):
            name = (names or {}).get(table.zone, table.zone)
            text = f"{name}\n{show_volume(table.volume_l, units)}: {_last(table):.0f} min"
            _curve(axes, table, number, units, spot, text)
        _minutes(axes, tables, level.factor)
        _never(axes, tables, level.factor)
        ruled(
            axes,
            Ruler(f"water in the barrels above the outlet, {level.unit}", *axes.get_xlim()),
            Ruler("run time, minutes", *axes.get_ylim()),
        )
        write_picture(figure, path)


def _below(tables: Sequence[RunTimes]) -> str:
    if all(t.shortest_s is None for t in tables):
        return "The same water takes longer as the level falls. How sure: not known, not measured."
    return "The same water takes longer as the level falls. Band: true two times out of three."


def _last(table: RunTimes) -> float:
    known = table.runs_s[np.isfinite(table.runs_s)]
    return float(known[-1]) / 60.0 if known.size else 0.0


def _top(tables: Sequence[RunTimes]) -> float:
    """Up to the longest run, but no more than some times the one from full barrels."""
    longest = [float(np.nanmax(t.runs_s)) / 60.0 for t in tables if np.isfinite(t.runs_s).any()]
    cut = _CUT_TIMES * max((_last(t) for t in tables), default=0.0)
    return 1.08 * min(max(longest, default=1.0), cut or 1.0)


def _curve(axes: Any, table: RunTimes, number: int, units: DisplayUnits, spot: float, text: str) -> None:
    look, at, minutes = stroke(number), table.levels_m * level_scale(units).factor, table.runs_s / 60.0
    right = axes.get_xlim()[1]
    if not np.isfinite(minutes).any():
        label_beside(axes, right * 1.025, spot, f"{text}:\nnot at any level", look.colour)
        return
    if table.shortest_s is not None and table.longest_band_s is not None:
        axes.fill_between(
            at,
            table.shortest_s / 60.0,
            table.longest_band_s / 60.0,
            color=look.colour,
            alpha=0.15,
            linewidth=0,
        )
    trace(axes, at, minutes, color=look.colour, linestyle=look.dash)
    _end(axes, table, look.colour, units)
    trace(axes, [right], [_last(table)], marker=look.marker, color=look.colour, markersize=5, clip_on=False)
    trace(axes, [right, right * 1.025], [_last(table), spot], color=look.colour, linewidth=0.8, clip_on=False)
    label_beside(axes, right * 1.025, spot, text, look.colour)


def _end(axes: Any, table: RunTimes, colour: str, units: DisplayUnits) -> None:
    """Where a zone's line ends because the water no longer reaches all of it: a cross, and the words."""
    minutes = float(table.runs_s[0]) / 60.0
    if not (0.0 < table.stops_m <= float(table.levels_m[0]) and np.isfinite(minutes)):
        return
    (left, right), top = axes.get_xlim(), axes.get_ylim()[1]
    x = level_scale(units)(float(table.levels_m[0]))
    trace(axes, [x], [min(minutes, top)], marker="X", color=colour, markersize=6, zorder=7)
    text = f"  not watered below {show_height(table.stops_m, units)}  "
    label_at(
        axes, x, min(minutes, 0.97 * top), text, colour, ha="right" if x > 0.4 * (left + right) else "left"
    )


def _minutes(axes: Any, tables: Sequence[RunTimes], level_factor: float) -> None:
    """Figures beside their curves, where neither a curve nor another figure runs through them."""
    right, top = axes.get_xlim()[1], axes.get_ylim()[1]
    for share in _WRITTEN_AT:
        x = share * right
        over = np.linspace(x, x + _FIGURE_WIDE * right, 9)
        curves = [_minutes_at(t, over / level_factor) for t in tables]
        taken: list[float] = []
        written: list[float] = []
        # The uppermost first, so that its figure is the one above.
        for number, own in sorted(enumerate(curves), key=lambda pair: -float(np.nan_to_num(pair[1][0]))):
            value = float(own[0])
            if not np.isfinite(value) or value >= 0.97 * top:
                continue
            look = stroke(number)
            trace(axes, [x], [value], marker=look.marker, color=look.colour, markersize=5, zorder=5)
            if any(abs(value - other) < _ALIKE_SHARE * top for other in written):
                continue
            written.append(value)
            spot = value + top * max(_FIGURE_OFF, key=lambda off: _free(value, off * top, top, curves, taken))
            taken.append(spot)
            label_at(axes, x + 0.01 * right, spot, f"{value:.0f} min", look.colour, ha="left")


def _free(value: float, off: float, top: float, curves: Sequence[Array], taken: Sequence[float]) -> float:
    """How free a spot is: 1 when it has room on all sides, else the share of it that there is."""
    spot = value + off
    nearest = [float(np.nanmin(np.abs(c - spot))) for c in curves if np.isfinite(c).any()]
    nearest += [0.5 * abs(spot - other) for other in taken]
    room = min([*nearest, spot - 0.02 * top, 0.98 * top - spot], default=top) / (_FIGURE_ROOM * top)
    return min(1.0, room)


def _minutes_at(table: RunTimes, levels_m: Array) -> Array:
    minutes = np.interp(levels_m, table.levels_m, table.runs_s / 60.0)
    return np.asarray(np.where(levels_m < table.levels_m[0], np.nan, minutes))


def _never(axes: Any, tables: Sequence[RunTimes], level_factor: float) -> None:
    """Below this no zone gives its litres, however long it runs."""
    some = [(float(t.levels_m[np.isfinite(t.runs_s)][0]), t) for t in tables if np.isfinite(t.runs_s).any()]
    first_m, table = min(some, key=lambda pair: pair[0], default=(0.0, None))
    if table is not None and first_m <= table.stops_m:
        return  # its cross says why
    x = first_m * level_factor
    if x > _STRIP_SHARE * axes.get_xlim()[1]:
        axes.axvspan(0.0, x, facecolor="none", edgecolor=STONE, hatch="///", linewidth=0, alpha=0.5)
        # A narrow strip has no room for its words inside.
        label_at(axes, x, 0.04 * axes.get_ylim()[1], " too little water left ", STONE, ha="left")
