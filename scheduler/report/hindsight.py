"""What another barrel, a larger roof or a higher stand would have changed in past summers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from statistics import median_low

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.garden import garden_model
from scheduler.planning.hindsight import LEAST_DAYS, past_summers
from scheduler.planning.past_years import past_weather
from scheduler.report.ahead import days_of_file
from scheduler.report.answers import ChangedGardenAnswer, HindsightAnswer, PastSummerAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_area, show_length, show_volume
from scheduler.survey.changes import changed

# Asked when nothing else is: a roof larger by half, and a stand about two bricks higher.
MORE_ROOF = 1.5
HIGHER_M = 0.3
# A change that saves less of the shortage is as good as none.
WORTH_A_WORD = 0.05
ONE_SUMMER: Columns = [("garden", "left"), ("short", "right"), ("days short", "right"), ("ran over", "right")]
SUMMERS: Columns = [
    ("garden", "left"),
    ("short, middle summer", "right"),
    ("short, worst summer", "right"),
    ("days short then", "right"),
    ("ran over, middle summer", "right"),
]


def hindsight_answer(site: Site, past: Sequence[DayWeather], changes: Sequence[str] = ()) -> HindsightAnswer:
    """The garden as it is and with each change under every past summer, of ``past`` and of the garden's own
    weather file. UsageError: no summer is known, or a change cannot be read."""
    weather = past_weather((*days_of_file(site), *past), site.place)
    gardens = []
    for change in (None, *(changes or usual_changes(site))):
        made = site if change is None else changed(site, [change])
        summers = past_summers(garden_model(made), weather) if weather is not None else ()
        if not summers:
            raise UsageError(
                f"of no past summer are {LEAST_DAYS} days in a row known here, neither from what the service "
                "kept nor from a weather file of the garden; name a file of past years with --past, or try "
                "the summer that ships with the program: --past seattle-2012"
            )
        gardens.append(
            ChangedGardenAnswer(change=change, summers=[PastSummerAnswer(**asdict(s)) for s in summers])
        )
    return HindsightAnswer(garden=site.name, gardens=gardens)


def usual_changes(site: Site) -> tuple[str, ...]:
    """One and two barrels more, a larger roof, a higher stand: as far as the garden has what they change."""
    barrel = () if site.tank.measured else ("add barrel", "add 2 barrels")
    roof = (f"roof {site.roof.catchment_m2 * MORE_ROOF:.0f} m2",) if site.roof is not None else ()
    return (*barrel, *roof, f"raise barrels {HIGHER_M * 100:.0f} cm")


def hindsight_rows(site: Site, answer: HindsightAnswer) -> tuple[Columns, Rows]:
    units, one = site.units, len(answer.gardens[0].summers) == 1
    rows: Rows = []
    for garden in answer.gardens:
        worst = max(garden.summers, key=lambda s: s.short_l)
        short = show_volume(worst.short_l, units)
        over = show_volume(median_low([s.overflow_l for s in garden.summers]), units)
        name, days = change_words(site, garden.change), str(worst.days_short)
        if one:
            rows.append([name, short, days, over])
            continue
        middle = show_volume(median_low([s.short_l for s in garden.summers]), units)
        rows.append([name, middle, f"{short} ({_year(worst.first, worst.last)})", days, over])
    return ONE_SUMMER if one else SUMMERS, rows


def hindsight_words(site: Site, answer: HindsightAnswer) -> list[str]:
    """From which summers, and what was worth most."""
    as_is = answer.gardens[0]
    told = ", ".join(f"{s.first:%d %B} to {s.last:%d %B %Y}" for s in as_is.summers)
    lines = [
        f"The garden as it stands under the weather of {told}; barrels full on the first day, no leak, every "
        "plant given all it wants. Short is what would have had to be topped up."
    ]
    short = sum(s.short_l for s in as_is.summers)
    if short <= 0.0:
        return [*lines, "The barrels never ran short: nothing to change for the water's sake."]
    saved = {g.change: short - sum(s.short_l for s in g.summers) for g in answer.gardens[1:]}
    best = max(saved, key=lambda change: saved[change])
    if saved[best] < WORTH_A_WORD * short:
        return [*lines, "None of these would have helped much."]
    each = saved[best] / len(as_is.summers)
    lines.append(
        f"Most would have helped: {change_words(site, best)}, {show_volume(each, site.units)} less to top up "
        "in a summer."
    )
    idle = [change_words(site, c) for c, litres in saved.items() if litres < WORTH_A_WORD * short]
    if idle:
        lines.append(f"Little or nothing: {', '.join(idle)}.")
    if any(change is not None and change.startswith(("raise", "add ")) for change in saved):
        lines.append(
            "Water weighs 1 kg a litre: a higher stand or one barrel more asks for firm, level ground."
        )
    return lines


def change_words(site: Site, change: str | None) -> str:
    """A usual change in the site's units; any other as it was typed."""
    if change is None:
        return "as it is"
    if change == "add barrel":
        return "one barrel more"
    if more := re.fullmatch(r"add (\d+) barrels", change):
        return f"{more[1]} barrels more"
    if site.roof is not None and change.startswith("roof "):
        return f"roof of {show_area(changed(site, [change]).roof.catchment_m2, site.units)}"  # type: ignore[union-attr]
    if change == f"raise barrels {HIGHER_M * 100:.0f} cm":
        return f"stand {show_length(HIGHER_M, site.units)} higher"
    return change


def _year(first: date, last: date) -> str:
    return f"{first.year}" if first.year == last.year else f"{first.year}/{last:%y}"
