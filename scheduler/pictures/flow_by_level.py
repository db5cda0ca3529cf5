"""What each plant gets against the level in the barrels, with its uncertainty as a band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.pictures.placing import Room, Spot
from scheduler.pictures.ruling import Ruler, label_beside, ruled, strokes, trace, write_picture
from scheduler.pictures.scales import Scale, flow_scale, level_scale
from scheduler.pictures.style import (
    INK,
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
from scheduler.survey.levels import LevelSurvey
from scheduler.survey.sentences import show_height

Array = NDArray[np.float64]

_HEIGHT_IN = 4.4
# Curves that differ by less than this share of the largest flow are drawn once and named together.
_ALIKE_SHARE = 0.04
# More curves than this cannot be told apart; the likest are then drawn together.
_CURVES_MAX = 7
# Words on dry levels: height of the first row, as a share of the axis, lines that others stand above it, and
# letters that they keep off their cross.
_ROW_FIRST, _ROWS, _GAPS = 0.035, (0.0, 1.05, 2.1, 3.15), (1.5, 3.0, 5.0, 9.0, 14.0)
# Letters of a name beside a curve.
_LETTERS_MAX = 24


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    names: tuple[str, ...]
    levels_m: Array
    flow_lph: Array
    stops_m: tuple[float, ...]  # of each plant that falls dry above the outlet
    starts_m: float = 0.0  # lowest level at which any of them flows


def draw_flow_by_level(
    survey: LevelSurvey,
    path: Path,
    *,
    title: str,
    names: Mapping[str, str] | None = None,
    flow_sd_share: Array | float | None = None,
    tested_m: tuple[float, float] | None = None,
    reserve_m: float = 0.0,
    units: DisplayUnits = "metric",
    of: str = "",
) -> None:
    """Draw to a PNG or SVG file, as the path's ending says. ``of``: which garden and day.

    ``names``: of the plants, their ids where absent. ``flow_sd_share``: one standard deviation of the flow as
    a share, one number or one for each level; None: not known, and the picture says so. ``tested_m``: levels
    between which the zone was measured. ``reserve_m``: level of the water that is held back.
    """
    level, flow = level_scale(units), flow_scale(units)
    with drawing() as make:
        figure = new_picture(make, _HEIGHT_IN, title, _below(flow_sd_share), of)
        axes = axes_in(figure, 0.70, 1.77, 0.55, 0.72)  # room for 1.75 left of the axis
        at = survey.levels_m * level.factor
        top = float(max(survey.plant_flow_lph.max(initial=0.0), 0.1)) * flow.factor
        axes.set_xlim(0.0, float(at[-1]))
        axes.set_ylim(0.0, 1.08 * top)
        held_back(axes, level(reserve_m), 1.03 * top)
        if tested_m is not None:
            _tested(axes, (level(tested_m[0]), level(tested_m[1])), top)
        _curves(axes, survey, names or {}, flow_sd_share, units)
        ruled(
            axes,
            Ruler(f"water in the barrels above the outlet, {level.unit}", 0.0, float(at[-1])),
            Ruler(f"flow of a plant, {flow.unit}", 0.0, 1.08 * top),
        )
        write_picture(figure, path)


def _below(sd_share: Array | float | None) -> str:
    if sd_share is None:
        return "How sure these are is not known: they were not measured."
    return "Band: two times out of three the true flow lies in it."


def _curves(
    axes: Any,
    survey: LevelSurvey,
    names: Mapping[str, str],
    sd_share: Array | float | None,
    units: DisplayUnits,
) -> None:
    level, flow_factor = level_scale(units), flow_scale(units).factor
    at = survey.levels_m * level.factor
    curves = _grouped(survey, names)
    low, high = axes.get_ylim()
    ends = [float(c.flow_lph[-1]) * flow_factor for c in curves]
    words = [_together(c) for c in curves]
    line = 0.062 * (high - low)
    least = line * (2.1 if any("\n" in w for w in words) else 1.1)
    spots = kept_inside(ends, least, low + 0.02 * high, high)
    for number, (curve, spot, word) in enumerate(zip(curves, spots, words, strict=True)):
        look, flow = stroke(number), curve.flow_lph * flow_factor
        if sd_share is not None:
            off = flow * np.asarray(sd_share)
            axes.fill_between(at, flow - off, flow + off, color=look.colour, alpha=0.13, linewidth=0)
        trace(
            axes,
            *_from_the_first_drop(at, flow, level(curve.starts_m)),
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markevery=(3 + number, 8),
            markersize=4,
        )
        label_beside(axes, at[-1] * 1.025, spot, word, look.colour)
        if float(curve.flow_lph[-1]) <= 0.0:
            continue
        for stops_m in sorted(set(curve.stops_m)):
            trace(
                axes,
                [level(stops_m)],
                [0.0],
                marker="X",
                color=look.colour,
                markersize=6,
                clip_on=False,
                zorder=7,
            )
    _dry_words(axes, curves, level, flow_scale(units), units)
    leaders = [[(at[-1], end), (at[-1] * 1.025, spot)] for end, spot in zip(ends, spots, strict=True)]
    colours = [stroke(number).colour for number in range(len(curves))]
    strokes(axes, leaders, colors=colours, linewidths=0.8, clip_on=False, zorder=1)


def _dry_words(axes: Any, curves: Sequence[_Curve], level: Scale, flow: Scale, units: DisplayUnits) -> None:
    """Where each curve's last plant falls dry, beside its cross; once for those that do so at one level."""
    dry: dict[str, list[tuple[float, int]]] = {}
    for number, curve in enumerate(curves):
        if curve.stops_m and float(curve.flow_lph[-1]) > 0.0:
            stops_m = max(curve.stops_m)
            dry.setdefault(f"dry below {show_height(stops_m, units)}", []).append((level(stops_m), number))
    drawn = [
        _from_the_first_drop(c.levels_m * level.factor, c.flow_lph * flow.factor, level(c.starts_m))
        for c in curves
    ]
    room, high = Room(axes, drawn), axes.get_ylim()[1]
    crosses = {level(m) for c in curves for m in c.stops_m}
    room.taken += [Spot(x, x, 0.0) for x in crosses]
    for text, (*_, (x, number)) in sorted(dry.items(), key=lambda pair: pair[1]):
        spot = room.beside(x, _ROW_FIRST * high, text, rows=_ROWS, gaps=_GAPS)
        colour = stroke(number).colour if len(dry[text]) == 1 else INK
        label_at(axes, spot.left, spot.y, text, colour)


def _grouped(survey: LevelSurvey, names: Mapping[str, str]) -> list[_Curve]:
    """Plants with nearly the same curve together, the largest flow first."""
    order = np.argsort(-survey.plant_flow_lph[-1])
    most = float(survey.plant_flow_lph.max(initial=0.0)) or 1.0
    share = _ALIKE_SHARE
    while True:
        groups: list[list[int]] = []
        for i in order.tolist():
            column = survey.plant_flow_lph[:, i]
            alike = (
                g for g in groups if np.abs(survey.plant_flow_lph[:, g[0]] - column).max() < share * most
            )
            group = next(alike, None)
            if group is None:
                groups.append([i])
            else:
                group.append(i)
        if len(groups) <= _CURVES_MAX:
            break
        share *= 1.5
    return [_curve(survey, sorted(g), names) for g in groups]


def _curve(survey: LevelSurvey, group: Sequence[int], names: Mapping[str, str]) -> _Curve:
    stops = [float(survey.plant_stops_m[i]) for i in group]
    return _Curve(
        names=tuple(names.get(survey.plants[i], survey.plants[i]) for i in group),
        levels_m=survey.levels_m,
        flow_lph=_from_the_outlet(survey, group),
        stops_m=tuple(s for s in stops if np.isfinite(s) and s > 0.0),
        starts_m=min((s for s in stops if np.isfinite(s)), default=0.0),
    )


def _from_the_outlet(survey: LevelSurvey, group: Sequence[int]) -> Array:
    """The mean flow of a group. A plant that flows as long as water reaches the outlet does not fade to
    nothing there, it stops: its curve is drawn straight on to the outlet."""
    flow = survey.plant_flow_lph[:, list(group)].copy()
    to_outlet = survey.plant_stops_m[list(group)] == 0.0
    first, second = flow[1, to_outlet], flow[2, to_outlet]
    flow[0, to_outlet] = np.maximum(2.0 * first - second, 0.0)
    return np.asarray(flow.mean(axis=1))


def _from_the_first_drop(at: Array, flow: Array, start: float) -> tuple[Array, Array]:
    """The curve from the level at which the plant's flow begins, where its cross stands: the levels of the
    table lie beside it. A curve that is dry at every level stays."""
    wet = np.nonzero(flow > 0.0)[0]
    if not len(wet) or start <= 0.0:
        return at, flow
    kept = at > start
    return np.concatenate([[start], at[kept]]), np.concatenate([[0.0], flow[kept]])


def _together(curve: _Curve) -> str:
    names = curve.names
    never = ": never" if float(curve.flow_lph[-1]) <= 0.0 else ""
    first = names[0] if len(names[0]) <= _LETTERS_MAX else names[0][: _LETTERS_MAX - 1] + "…"
    if len(names) == 1:
        return first + never
    rest = f"and {names[1]}" if len(names) == 2 and len(names[1]) <= _LETTERS_MAX - 4 else ""
    return f"{first}\n{rest or f'and {len(names) - 1} more alike'}{never}"


def _tested(axes: Any, span: tuple[float, float], top: float) -> None:
    trace(axes, span, [1.05 * top] * 2, color=STONE, marker="|", markersize=7, linewidth=1.0, clip_on=False)
    solid = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}  # its own line runs behind it
    label_at(axes, 0.5 * sum(span), 1.05 * top, "measured here", STONE, ha="center", bbox=solid)
