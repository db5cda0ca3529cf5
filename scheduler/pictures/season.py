"""A season in one picture: water in the barrels, rain, head, run minutes, and what each plant got."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from scheduler.pictures.garden_days import marked_days
from scheduler.pictures.lettering import width_in
from scheduler.pictures.scales import level_scale, rain_scale
from scheduler.pictures.style import (
    EARTH,
    FONT_SIZE,
    INK,
    PALE,
    STONE,
    WATER,
    ZONE_STROKES,
    drawing,
    kept_inside,
    label_at_end,
    label_with_leader,
)
from scheduler.pictures.told import ROWS, Told, place_told
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_whole_volume

# Tops of the first and of the last row of warnings' words, in parts of the height.
FIRST_WORDS, LAST_WORDS = 0.98, 0.3
# Top of the axes of levels, in parts of the brim; and how far the names of three lines may stand above the
# highest end of one, in parts of the height.
ROOM_ABOVE, NAMES_HIGH = 1.06, 0.19
WIDTH_IN = 10.0
# What stands left of the axes at the least (figures, the axis' own words), and all gaps beside names.
_LEAST_LEFT_IN, _GAPS_IN = 0.6, 0.5


@dataclass(frozen=True, slots=True)
class DayPoint:
    """One local day: the store at its end, its rain, and how many plants stood short (None: not known)."""

    day: date
    level_m: float
    timer_level_m: float
    rain_mm: float | None
    short: int | None = None


@dataclass(frozen=True, slots=True)
class RunPoint:
    """One run of a zone: the head at its emitters (mean, m), how long, and how many litres."""

    zone: str
    at: datetime
    head_m: float
    minutes: float


@dataclass(frozen=True, slots=True)
class PlantTotal:
    """Litres over the days that count. ``wanted_l`` None or 0: the plant wanted nothing."""

    name: str
    wanted_l: float
    given_l: float
    timer_l: float


@dataclass(frozen=True, slots=True)
class SeasonPicture:
    """All that the picture shows, in plain values; ``units``: in which it shows them."""

    title: str
    reserve_m: float
    brim_m: float
    days: tuple[DayPoint, ...]
    runs: tuple[RunPoint, ...]
    timer_minutes: tuple[tuple[str, float], ...]  # zone -> the timer's fixed run
    plants: tuple[PlantTotal, ...]
    told: tuple[tuple[datetime, str], ...] = ()  # warnings of the water's end
    units: DisplayUnits = "metric"


def draw_season(picture: SeasonPicture, path: Path) -> None:
    """Draw to a PNG or SVG file, as the path's ending says."""
    rows = len(picture.plants)
    with drawing() as make:
        figure = make(figsize=(WIDTH_IN, 10.2 + 0.32 * rows), layout="constrained")
        heights = [2.6, 0.9, 0.9, 1.9, 2.3, 0.6 + 0.36 * rows]
        axes = figure.subplots(6, 1, height_ratios=heights)
        for other in axes[1:5]:
            other.sharex(axes[0])
        _level(axes[0], picture)
        _rain(axes[1], picture)
        _short(axes[2], picture)
        head = level_scale(picture.units)
        _zone_lines(axes[3], picture, "head_m", head.factor)
        axes[3].set(title="Head at the emitters while a zone runs (mean)", ylabel=f"head, {head.unit}")
        _zone_lines(axes[4], picture, "minutes")
        axes[4].set(title="Run time: longer as the head falls", ylabel="minutes a run")
        _plants(axes[5], picture.plants, picture.units)
        first = picture.days[0].day
        axes[0].set_xlim(first - timedelta(days=1), _edge(picture))
        marked = marked_days(first, picture.days[-1].day)
        axes[4].set_xticks(marked, [f"{day.day} {day:%b}" for day in marked])
        for upper in axes[:4]:
            upper.tick_params(labelbottom=False)
        figure.suptitle(picture.title, x=0.01, ha="left", fontsize=FONT_SIZE + 3, fontweight="bold")
        figure.savefig(path)


def _level(axes: Any, picture: SeasonPicture) -> None:
    days = [d.day for d in picture.days]
    level = level_scale(picture.units)
    ours = [level(d.level_m) for d in picture.days]
    timer = [level(d.timer_level_m) for d in picture.days]
    axes.plot(days, ours, color=WATER, marker="o", markersize=2.0)
    axes.plot(days, timer, color=EARTH, linestyle="--")
    axes.axhline(level(picture.reserve_m), color=STONE, linewidth=1.0, linestyle=":")
    axes.set(
        title="Water in the barrels at the end of each day (none is given below the reserve; a leak goes on)",
        ylabel=f"level above outlet, {level.unit}",
    )
    axes.set_ylim(0.0, level(picture.brim_m) * ROOM_ABOVE)
    for told in _told(picture):
        _warning(axes, picture, told)
    last = days[-1]
    _name_ends(
        axes,
        picture,
        [
            (last, ours[-1], "this garden", WATER),
            (last, timer[-1], "fixed timer", EARTH),
            (_edge(picture), level(picture.reserve_m), "reserve", STONE),
        ],
    )


def _told(picture: SeasonPicture) -> list[Told]:
    """The warnings in their rows: the axes are what the names beside them leave of the width."""
    if not picture.told:
        return []
    right = [f"timer, {zone}" for zone, _ in picture.timer_minutes] + ["this garden"]
    right += [_plant_words(p, picture.units) for p in picture.plants]
    left_in = max([_LEAST_LEFT_IN, *(width_in(p.name, FONT_SIZE) for p in picture.plants)])
    right_in = max(width_in(name, FONT_SIZE - 0.5) for name in right)
    axes_in = max(1.0, WIDTH_IN - _GAPS_IN - left_in - right_in)
    edge = datetime.combine(_edge(picture), time(), picture.told[0][0].tzinfo)
    days_per_in = (len(picture.days) + 1) / axes_in
    # Above the names of the lines words may run on beside the axes, as far as names go below.
    beyond = edge + timedelta(days=right_in * days_per_in)
    last = picture.days[-1]
    highest_m = max(last.level_m, last.timer_level_m, picture.reserve_m)
    names_up_to = highest_m / (ROOM_ABOVE * picture.brim_m) + NAMES_HIGH
    edges = [beyond if _row_top(row + 1) > names_up_to else edge for row in range(ROWS)]
    return place_told(picture.told, edges, days_per_in)


def _row_top(row: int) -> float:
    """Of a row of warnings' words, in parts of the height."""
    return FIRST_WORDS - (FIRST_WORDS - LAST_WORDS) * row / (ROWS - 1)


def _warning(axes: Any, picture: SeasonPicture, told: Told) -> None:
    """A warning at the hour it was told, at the water that stood then; its words end in their row."""
    day = min(picture.days, key=lambda d: abs((d.day - told.at.date()).days))
    y = level_scale(picture.units)(day.level_m)
    axes.plot([told.at], [y], color=INK, marker="v", markersize=6, linestyle="none")
    if not told.text:
        return
    axes.annotate(
        told.text,
        (told.at, y),
        (told.at, _row_top(told.row)),
        textcoords=("data", "axes fraction"),
        ha="left",
        va="top",
        color=INK,
        fontsize=FONT_SIZE - 0.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.65},
        arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.7, "relpos": (0.0, 0.5)},
    )


def _name_ends(axes: Any, picture: SeasonPicture, ends: Sequence[tuple[Any, float, str, str]]) -> None:
    """Names right of the axes, each tied to the end of its line."""
    if not ends:
        return
    low, top = axes.get_ylim()
    # A name is about a seventh of an inch high.
    least = 0.15 / (axes.get_position().height * axes.figure.get_size_inches()[1]) * (top - low)
    heights = kept_inside([y for _, y, _, _ in ends], least, low, top)
    beside = _edge(picture) + timedelta(days=1 + len(picture.days) // 45)
    for (x, y, name, colour), height in zip(ends, heights, strict=True):
        at = axes.convert_xunits(x)
        label_with_leader(axes, (at, y), (axes.convert_xunits(beside), height), name, colour)


def _edge(picture: SeasonPicture) -> date:
    """Right end of the time axes: names stand outside, so that no line runs through them."""
    return picture.days[-1].day + timedelta(days=1)


def _rain(axes: Any, picture: SeasonPicture) -> None:
    rain = rain_scale(picture.units)
    known = [(d.day, rain(d.rain_mm)) for d in picture.days if d.rain_mm is not None]
    axes.bar([d for d, _ in known], [r for _, r in known], color=WATER, width=0.9)
    axes.set(title="Rain", ylabel=f"{rain.unit} a day")
    if not any(r for _, r in known):
        axes.set_ylim(0.0, 1.0)
        axes.set_yticks([0.0])
        _in_the_middle(axes, "none fell")


def _short(axes: Any, picture: SeasonPicture) -> None:
    known = [(d.day, d.short) for d in picture.days if d.short is not None]
    axes.bar([d for d, _ in known], [n for _, n in known], color=INK, width=0.9)
    axes.set(title="Plants that stood short of water", ylabel=f"of {len(picture.plants)}")
    axes.set_ylim(0.0, max(1, len(picture.plants)))
    axes.yaxis.get_major_locator().set_params(integer=True)
    if not any(n for _, n in known):
        _in_the_middle(axes, "none" if known else "not known")


def _in_the_middle(axes: Any, text: str) -> None:
    axes.annotate(text, (0.5, 0.5), xycoords="axes fraction", ha="center", va="center", color=STONE)


def _zone_lines(axes: Any, picture: SeasonPicture, what: str, factor: float = 1.0) -> None:
    zones = list(dict.fromkeys(r.zone for r in picture.runs))
    timer = dict(picture.timer_minutes)
    ends: list[tuple[Any, float, str, str]] = []
    for index, zone in enumerate(zones):
        look = ZONE_STROKES[index % len(ZONE_STROKES)]
        runs = [r for r in picture.runs if r.zone == zone]
        values = [factor * float(getattr(r, what)) for r in runs]
        axes.plot(
            [r.at for r in runs],
            values,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markersize=3.2,
            clip_on=False,
        )
        ends.append((runs[-1].at, values[-1], zone, look.colour))
        if what == "minutes" and zone in timer:
            axes.axhline(timer[zone], color=EARTH, linewidth=1.0, linestyle=look.dash)
            ends.append((_edge(picture), timer[zone], f"timer, {zone}", EARTH))
    axes.set_ylim(bottom=0.0)
    _name_ends(axes, picture, ends)


def _plant_words(plant: PlantTotal, units: DisplayUnits) -> str:
    wanted, got, timer = (show_whole_volume(v, units) for v in (plant.wanted_l, plant.given_l, plant.timer_l))
    return f"wanted {wanted}, got {got}, timer {timer}"


def _plants(axes: Any, plants: Sequence[PlantTotal], units: DisplayUnits) -> None:
    wanting = [p for p in plants if p.wanted_l > 0.0]
    rows = list(range(len(wanting)))[::-1]
    axes.axvline(100.0, color=INK, linewidth=1.0)
    axes.axvspan(90.0, 110.0, color=PALE, alpha=0.6, linewidth=0)
    for row, plant in zip(rows, wanting, strict=True):
        given = 100.0 * plant.given_l / plant.wanted_l
        timer = 100.0 * plant.timer_l / plant.wanted_l
        axes.plot([given, timer], [row, row], color=PALE, linewidth=1.0, zorder=1)
        axes.plot([given], [row], color=WATER, marker="o", markersize=6, linestyle="none")
        axes.plot([timer], [row], color=EARTH, marker="s", markersize=6, fillstyle="none", linestyle="none")
        label_at_end(axes, axes_right(wanting), row, _plant_words(plant, units), INK)
    if wanting:
        top = wanting[0]
        mark: dict[str, Any] = {
            "textcoords": "offset points",
            "fontsize": FONT_SIZE - 0.5,
            "ha": "center",
            "va": "bottom",
        }
        mark["bbox"] = {"facecolor": "white", "edgecolor": "none", "pad": 0.5}
        axes.annotate("got", (100.0 * top.given_l / top.wanted_l, rows[0]), (0, 6), color=WATER, **mark)
        axes.annotate("timer", (100.0 * top.timer_l / top.wanted_l, rows[0]), (0, 6), color=EARTH, **mark)
    axes.set_yticks(rows, [p.name for p in wanting])
    axes.set_ylim(-0.6, max(1.0, len(wanting) - 0.2))
    axes.set_xlim(0.0, axes_right(wanting))
    axes.grid(visible=False, axis="y")
    axes.set(
        title="What each plant got of what it wanted, up to the day on which water ran short",
        xlabel="% of the water wanted (band: within 10 %); days after it are left out",
    )


def axes_right(plants: Sequence[PlantTotal]) -> float:
    """Right end of the percent axis: room for the largest share."""
    most = max((max(p.given_l, p.timer_l) / p.wanted_l for p in plants), default=1.0)
    return max(130.0, 105.0 * most)
