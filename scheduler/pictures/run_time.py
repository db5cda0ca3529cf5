"""Run time for the same litres against the level: why a fixed timer starves a garden as the barrels fall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from scheduler.pictures.placing import Room
from scheduler.pictures.ruling import Ruler, label_beside, ruled, trace, write_picture
from scheduler.pictures.scales import level_scale
from scheduler.pictures.style import (
    STONE,
    axes_in,
    drawing,
    held_back,
    kept_inside,
    label_at,
    new_picture,
    stroke,
)
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_volume
from scheduler.survey.run_times import RunTimes
from scheduler.survey.sentences import show_height

_HEIGHT_IN = 4.4
# Minutes are written over each curve at these shares of the height; those from full barrels at its end.
_WRITTEN_AT = (0.25, 0.5)
# Lines above (or below) its curve at which a figure may stand, the first that is free; words at the end of a
# curve may stand beside it too.
_FIGURE_ROWS = (1.1, -1.1, 2.2, -2.2, 3.3, -3.3, 4.4, -4.4)
_END_ROWS, _END_GAPS = (0.0, *_FIGURE_ROWS), (1.5, 5.0, 9.0, 14.0)
# Words on levels that are not watered stand so low, as a share of the height: no run takes no time.
_LOW_SHARE = 0.04
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
    reserve_m: float = 0.0,
    units: DisplayUnits = "metric",
    of: str = "",
) -> None:
    """Draw to a PNG or SVG file, as the path's ending says; one curve a zone. ``names``: of the zones;
    ``reserve_m``: level of the water that is held back; ``of``: which garden and day."""
    level = level_scale(units)
    with drawing() as make:
        figure = new_picture(make, _HEIGHT_IN, title, _below(tables), of)
        axes = axes_in(figure, 0.62, 1.75, 0.55, 0.72)
        axes.set_xlim(0.0, max(level(float(t.levels_m[-1])) for t in tables))
        axes.set_ylim(0.0, _top(tables))
        top = axes.get_ylim()[1]
        held_back(axes, level(reserve_m), _LOW_SHARE * top)
        room = Room(axes, [(t.levels_m * level.factor, t.runs_s / 60.0) for t in tables])
        if reserve_m > 0.0:
            room.beside(level(reserve_m), _LOW_SHARE * top, "held back ", rows=(0.0,))
        ends = [_last(t) for t in tables]
        spots = kept_inside(ends, 0.12 * top, 0.03 * top, top)
        for number, (table, spot) in enumerate(zip(tables, spots, strict=True)):
            name = (names or {}).get(table.zone, table.zone)
            text = f"{name}\n{show_volume(table.volume_l, units)}: {_last(table):.0f} min"
            _curve(room, table, number, units, spot, text)
        _minutes(room, tables, level.factor)
        _never(room, tables, reserve_m, units)
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


def _curve(room: Room, table: RunTimes, number: int, units: DisplayUnits, spot: float, text: str) -> None:
    axes = room.axes
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
    _end(room, table, look.colour, units)
    trace(axes, [right], [_last(table)], marker=look.marker, color=look.colour, markersize=5, clip_on=False)
    trace(axes, [right, right * 1.025], [_last(table), spot], color=look.colour, linewidth=0.8, clip_on=False)
    label_beside(axes, right * 1.025, spot, text, look.colour)


def _end(room: Room, table: RunTimes, colour: str, units: DisplayUnits) -> None:
    """Where a zone's line ends because the water no longer reaches all of it: a cross, and the words."""
    minutes = float(table.runs_s[0]) / 60.0
    if not (0.0 < table.stops_m <= float(table.levels_m[0]) and np.isfinite(minutes)):
        return
    x, y = level_scale(units)(float(table.levels_m[0])), min(minutes, room.axes.get_ylim()[1])
    trace(room.axes, [x], [y], marker="X", color=colour, markersize=6, zorder=7)
    text = f"not watered below {show_height(table.stops_m, units)}"
    spot = room.beside(x, y, text, rows=_END_ROWS, gaps=_END_GAPS)
    label_at(room.axes, spot.left, spot.y, text, colour)


def _minutes(room: Room, tables: Sequence[RunTimes], level_factor: float) -> None:
    """Figures beside their curves, where neither a curve nor another figure runs through them."""
    axes = room.axes
    right, top = axes.get_xlim()[1], axes.get_ylim()[1]
    for share in _WRITTEN_AT:
        x = share * right
        values = [_minutes_at(t, x / level_factor) for t in tables]
        written: list[float] = []
        # The uppermost first, so that its figure is the one above.
        for number, value in sorted(enumerate(values), key=lambda pair: -float(np.nan_to_num(pair[1]))):
            if not np.isfinite(value) or value >= 0.97 * top:
                continue
            look = stroke(number)
            trace(axes, [x], [value], marker=look.marker, color=look.colour, markersize=5, zorder=5)
            if any(abs(value - other) < _ALIKE_SHARE * top for other in written):
                continue
            written.append(value)
            text = f"{value:.0f} min"
            spot = room.beside(x, value, text, rows=_FIGURE_ROWS, gaps=(0.7,))
            label_at(axes, spot.left, spot.y, text, look.colour)


def _minutes_at(table: RunTimes, level_m: float) -> float:
    if level_m < table.levels_m[0]:
        return float("nan")
    return float(np.interp(level_m, table.levels_m, table.runs_s / 60.0))


def _never(room: Room, tables: Sequence[RunTimes], reserve_m: float, units: DisplayUnits) -> None:
    """Below this, above what is held back, no zone gives its litres, however long it runs."""
    some = [(float(t.levels_m[np.isfinite(t.runs_s)][0]), t) for t in tables if np.isfinite(t.runs_s).any()]
    first_m, table = min(some, key=lambda pair: pair[0], default=(0.0, None))
    if table is None or first_m <= max(table.stops_m, reserve_m):
        return  # its cross says why, or that it is held back
    x, (right, top) = level_scale(units)(first_m), (room.axes.get_xlim()[1], room.axes.get_ylim()[1])
    if x > _STRIP_SHARE * right:
        text = f"below {show_height(first_m, units)} too little is left for a run"
        spot = room.beside(x, _LOW_SHARE * top, text, rows=_END_ROWS)
        label_at(room.axes, spot.left, spot.y, text, STONE)
