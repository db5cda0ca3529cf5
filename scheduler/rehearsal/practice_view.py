"""The practice garden on a terminal, in words first; and the table at its end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from scheduler.agronomy.weather import DayWeather
from scheduler.rehearsal.practice import Glimpse, Practice, Practised
from scheduler.rehearsal.practice_pace import PACE_AT_REST
from scheduler.site.model import Site
from scheduler.site.quantities import show_length, show_volume

BAR_CELLS = 30
SAID_LINES = 6


def practice(
    site: Site,
    days: Sequence[DayWeather],
    first_day: date,
    count: int,
    *,
    seed: int = 1,
    hurry: float = 1.0,
    console: Any = None,
    keep: Path | None = None,
) -> Practised:
    """Run the practice garden with a view that renews itself, and print what each plant wanted and got."""
    from rich.console import Console
    from rich.live import Live

    out = console or Console(highlight=False, markup=False, emoji=False)
    garden = Practice(site, days, first_day, count, seed=seed, hurry=hurry, keep=keep)
    out.print(
        f"Practice: {site.name}, {count} day{'s' if count > 1 else ''} of measured weather from "
        f"{first_day:%d %B %Y}. The daemon, the broker, the messages and the valve node's program are real; "
        "barrels, valves, plants are simulated."
    )
    if out.is_terminal:
        with Live("Starting ...", console=out, refresh_per_second=4, transient=True) as live:
            ended = garden.run(lambda glimpse: live.update(glimpse_text(glimpse, site)))
    else:
        ended = garden.run(EachDay(site, out.print))
    out.print(tally_table(ended, site))
    left, leak, caught, over = (
        show_volume(litres, site.units)
        for litres in (ended.volume_l, ended.leak_l, ended.caught_l, ended.overflow_l)
    )
    out.print(
        f"{ended.runs} runs; in truth {left} are left above the outlet (status tells it as the sensor reads "
        f"it). A small leak that nobody told the daemon took {leak}; the roof brought {caught}, of which "
        f"{over} ran over. {alerts_raised(len(ended.alerts))} This took {ended.real_s:.0f} s."
    )
    for alert in ended.alerts:
        out.print(f"  {alert.at.astimezone(site.place.timezone):%d %B %H:%M}  {alert.text} {alert.advice}")
    return ended


def alerts_raised(count: int) -> str:
    if count == 0:
        return "No alert was raised."
    return "1 alert was raised." if count == 1 else f"{count} alerts were raised."


class EachDay:
    """A view for a pipe or a file: one line as each day begins."""

    def __init__(self, site: Site, say: Callable[[str], None]) -> None:
        self._site = site
        self._say = say
        self._day = 0

    def __call__(self, glimpse: Glimpse) -> None:
        if glimpse.day_number == self._day:
            return
        self._day = glimpse.day_number
        given_l = sum(litres for _, litres in glimpse.given_l)
        self._say(
            f"Day {glimpse.day_number} of {glimpse.days}, {glimpse.now:%A %d %B}: "
            f"{show_volume(glimpse.volume_l, self._site.units)} above the outlet, "
            f"{show_volume(given_l, self._site.units)} given so far."
        )


def glimpse_text(glimpse: Glimpse, site: Site) -> str:
    """What happens now, in words, as the view shows it."""
    share = glimpse.level_m / glimpse.brim_m if glimpse.brim_m > 0.0 else 0.0
    bar = "#" * round(BAR_CELLS * share)
    doing = (
        f"The valve of {glimpse.open_zone} is open: water is flowing."
        if glimpse.open_zone is not None
        else "Every valve is shut."
    )
    hurry = "time runs fast" if glimpse.pace >= PACE_AT_REST / 2 else "time is slowed so that you can watch"
    lines = [
        f"Day {glimpse.day_number} of {glimpse.days}: {glimpse.now:%A %d %B, %H:%M} ({hurry}).",
        f"Water: {show_volume(glimpse.volume_l, site.units)}, "
        f"{show_length(glimpse.level_m, site.units)} above the outlet  |{bar:<{BAR_CELLS}}|",
        doing,
        "",
        "So far each plant got: "
        + ", ".join(f"{name} {show_volume(litres, site.units)}" for name, litres in glimpse.given_l),
        "",
        "The daemon says:",
        *(f"  {line}" for line in glimpse.said[-SAID_LINES:]),
    ]
    if glimpse.alerts:
        lines += ["", f"Alert: {glimpse.alerts[-1].text}"]
    return "\n".join(lines)


def tally_table(ended: Practised, site: Site) -> Any:
    """Each plant's litres wanted (up to its last watering) and got."""
    from rich import box
    from rich.table import Table

    table = Table(
        title="What each plant wanted and got", title_justify="left", box=box.SIMPLE, pad_edge=False
    )
    table.add_column("plant")
    for name in ("wanted", "got", "difference"):
        table.add_column(name, justify="right")
    for plant in ended.plants:
        if plant.wanted_l <= 0.0:
            table.add_row(plant.name, "not due yet", show_volume(plant.given_l, site.units), "")
            continue
        table.add_row(
            plant.name,
            show_volume(plant.wanted_l, site.units),
            show_volume(plant.given_l, site.units),
            f"{100.0 * (plant.given_l / plant.wanted_l - 1.0):+.0f} %",
        )
    return table
