"""Days of a garden in one drawing: water in the barrels, rain, minutes of each zone, who was short."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from io import StringIO
from typing import Any

from scheduler.pictures.style import INK, STONE, WATER, ZONE_STROKES, drawing, kept_inside, label_at_end

# Of a name, as a share of the axes' height.
NAME_HEIGHT = 0.14
# Dates that stand side by side below the drawing without touching.
MARKS_MOST = 10


@dataclass(frozen=True, slots=True)
class GardenDay:
    """One local day in the garden's own units; None: not known. ``minutes`` by zone: of the zone's runs."""

    day: date
    held: float | None
    rain: float | None
    minutes: tuple[tuple[str, float], ...]
    short: int | None


@dataclass(frozen=True, slots=True)
class GardenDays:
    days: tuple[GardenDay, ...]
    volume_unit: str
    rain_unit: str
    reserve: float
    plants: int


def garden_days_svg(picture: GardenDays) -> str:
    """The drawing as an SVG element, to stand inside a page."""
    with drawing() as make:
        figure = make(figsize=(9.0, 6.6), layout="constrained")
        axes = figure.subplots(4, 1, sharex=True, height_ratios=[2.2, 0.8, 1.6, 0.7])
        _held(axes[0], picture)
        _bars(axes[1], [(d.day, d.rain) for d in picture.days], WATER, "none fell")
        axes[1].set(title="Rain", ylabel=f"{picture.rain_unit} a day")
        _minutes(axes[2], picture.days)
        _bars(axes[3], [(d.day, d.short) for d in picture.days], INK, "none")
        axes[3].set(title="Plants that stood short of water", ylabel=f"of {picture.plants}")
        first, last = picture.days[0].day, picture.days[-1].day
        axes[0].set_xlim(first - timedelta(days=1), last + timedelta(days=1))
        marked = marked_days(first, last)
        axes[3].set_xticks(marked, [f"{day.day} {day:%b}" for day in marked])
        out = StringIO()
        figure.savefig(out, format="svg")
    text = out.getvalue()
    return text[text.index("<svg") :]


def marked_days(first: date, last: date) -> list[date]:
    """Days to write below, equally far apart: on the calendar's own the end of a month runs into the next."""
    apart = -(-((last - first).days + 1) // MARKS_MOST)
    return [first + timedelta(days=n) for n in range(0, (last - first).days + 1, apart)]


def _held(axes: Any, picture: GardenDays) -> None:
    known = [(d.day, d.held) for d in picture.days if d.held is not None]
    axes.axhline(picture.reserve, color=STONE, linewidth=1.0, linestyle=":")
    label_at_end(axes, picture.days[-1].day + timedelta(days=1), picture.reserve, "reserve", STONE)
    if known:
        axes.plot([d for d, _ in known], [v for _, v in known], color=WATER, marker="o", markersize=2.5)
    axes.set_ylim(bottom=0.0)
    axes.set(title="Water in the barrels at the end of each day", ylabel=picture.volume_unit)


def _minutes(axes: Any, days: Sequence[GardenDay]) -> None:
    ends: list[tuple[float, str, str]] = []
    zones = list(dict.fromkeys(zone for day in days for zone, _ in day.minutes))
    for number, zone in enumerate(zones):
        look = ZONE_STROKES[number % len(ZONE_STROKES)]
        runs = [(d.day, m) for d in days for z, m in d.minutes if z == zone and m > 0.0]
        if not runs:
            continue
        axes.plot(
            [d for d, _ in runs],
            [m for _, m in runs],
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markersize=3.2,
        )
        ends.append((runs[-1][1], zone, look.colour))
    axes.set_ylim(bottom=0.0)
    low, top = axes.get_ylim()
    heights = kept_inside([y for y, _, _ in ends], NAME_HEIGHT * (top - low), low, top)
    for (_, zone, colour), height in zip(ends, heights, strict=True):
        label_at_end(axes, days[-1].day + timedelta(days=1), height, zone, colour)
    axes.set(title="Minutes of watering", ylabel="minutes a day")


def _bars(axes: Any, values: Sequence[tuple[date, float | None]], colour: str, nothing: str) -> None:
    known = [(d, v) for d, v in values if v is not None]
    axes.bar([d for d, _ in known], [v for _, v in known], color=colour, width=0.9)
    if not any(v for _, v in known):
        axes.set_ylim(0.0, 1.0)
        axes.set_yticks([0.0])
        text = nothing if known else "not known"
        axes.annotate(text, (0.5, 0.5), xycoords="axes fraction", ha="center", va="center", color=STONE)
