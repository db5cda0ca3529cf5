"""A season in one picture: water in the barrels, rain, head, run minutes, and what each plant got."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from scheduler.pictures.garden_days import marked_days
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

# The words of warnings stand right of their arrows, each lower than the one before, so that none crosses: the
# first at this share of the height, the next so much lower, down to the least.
FIRST_WORDS, WORDS_LOWER, LEAST_WORDS = 0.96, 0.155, 0.3


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
    """All that the picture shows, in plain values."""

    title: str
    reserve_m: float
    brim_m: float
    days: tuple[DayPoint, ...]
    runs: tuple[RunPoint, ...]
    timer_minutes: tuple[tuple[str, float], ...]  # zone -> the timer's fixed run
    plants: tuple[PlantTotal, ...]
    told: tuple[tuple[datetime, str], ...] = ()  # warnings of the water's end


def draw_season(picture: SeasonPicture, path: Path) -> None:
    """Draw to a PNG or SVG file, as the path's ending says."""
    rows = len(picture.plants)
    with drawing() as make:
        figure = make(figsize=(10.0, 10.2 + 0.32 * rows), layout="constrained")
        heights = [2.6, 0.9, 0.9, 1.9, 2.3, 0.6 + 0.36 * rows]
        axes = figure.subplots(6, 1, height_ratios=heights)
        for other in axes[1:5]:
            other.sharex(axes[0])
        _level(axes[0], picture)
        _rain(axes[1], picture)
        _short(axes[2], picture)
        _zone_lines(axes[3], picture, "head_m")
        axes[3].set(title="Head at the emitters while a zone runs (mean)", ylabel="head, m")
        _zone_lines(axes[4], picture, "minutes")
        axes[4].set(title="Run time: longer as the head falls", ylabel="minutes a run")
        _plants(axes[5], picture.plants)
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
    ours = [d.level_m for d in picture.days]
    timer = [d.timer_level_m for d in picture.days]
    axes.plot(days, ours, color=WATER, marker="o", markersize=2.0)
    axes.plot(days, timer, color=EARTH, linestyle="--")
    axes.axhline(picture.reserve_m, color=STONE, linewidth=1.0, linestyle=":")
    axes.set(
        title="Water in the barrels at the end of each day (none is given below the reserve; a leak goes on)",
        ylabel="level above outlet, m",
    )
    axes.set_ylim(0.0, picture.brim_m * 1.06)
    for number, (at, text) in enumerate(picture.told):
        _warning(axes, picture, at, text, max(LEAST_WORDS, FIRST_WORDS - WORDS_LOWER * number))
    last = days[-1]
    _name_ends(
        axes,
        picture,
        [
            (last, ours[-1], "this garden", WATER),
            (last, timer[-1], "fixed timer", EARTH),
            (_edge(picture), picture.reserve_m, "reserve", STONE),
        ],
    )


def _warning(axes: Any, picture: SeasonPicture, at: datetime, text: str, height: float) -> None:
    """A warning at the hour it was told, above the water that stood then; its words end at ``height``."""
    day = min(picture.days, key=lambda d: abs((d.day - at.date()).days))
    axes.plot([at], [day.level_m], color=INK, marker="v", markersize=6, linestyle="none")
    axes.annotate(
        f" {at.day} {at:%b}, {text}",
        (at, day.level_m),
        (at, height),
        textcoords=("data", "axes fraction"),
        ha="left",
        va="top",
        color=INK,
        fontsize=FONT_SIZE - 0.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
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
    known = [(d.day, d.rain_mm) for d in picture.days if d.rain_mm is not None]
    axes.bar([d for d, _ in known], [r for _, r in known], color=WATER, width=0.9)
    axes.set(title="Rain", ylabel="mm a day")
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


def _zone_lines(axes: Any, picture: SeasonPicture, what: str) -> None:
    zones = list(dict.fromkeys(r.zone for r in picture.runs))
    timer = dict(picture.timer_minutes)
    ends: list[tuple[Any, float, str, str]] = []
    for index, zone in enumerate(zones):
        look = ZONE_STROKES[index % len(ZONE_STROKES)]
        runs = [r for r in picture.runs if r.zone == zone]
        values = [float(getattr(r, what)) for r in runs]
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


def _plants(axes: Any, plants: Sequence[PlantTotal]) -> None:
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
        text = f"wanted {plant.wanted_l:.0f} L, got {plant.given_l:.0f} L, timer {plant.timer_l:.0f} L"
        label_at_end(axes, axes_right(wanting), row, text, INK)
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
        xlabel="% of the litres wanted (band: within 10 %); days after it are left out",
    )


def axes_right(plants: Sequence[PlantTotal]) -> float:
    """Right end of the percent axis: room for the largest share."""
    most = max((max(p.given_l, p.timer_l) / p.wanted_l for p in plants), default=1.0)
    return max(130.0, 105.0 * most)
