"""Where the barrels' water went, day by day, as an object and a table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from scheduler.control.effects import RecordWaterDay
from scheduler.control.waterbook import BEYOND_SIGMAS as CLEARLY_SIGMAS
from scheduler.report.answers import BalanceAnswer, WaterDayAnswer
from scheduler.report.leak import LEAK_TOLD_L
from scheduler.report.plan import Columns, Rows
from scheduler.site.model import Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store

# A rest is told with so many sd on either side, which 19 days in 20 stay within.
BEYOND_SIGMAS = 2.0
# Why the litres of one day stand in two figures: said beside the balance.
DRAWN_OR_BOOKED = (
    "Drawn by runs is what left the barrels, by the fall of their level where that could be read. What why "
    "and report book to plants is reckoned from the flow of each zone. The two differ by what the sensor can "
    "tell, by what fills the lines, and where a zone gives more or less than is known of it."
)
COLUMNS: Columns = [
    ("day", "left"),
    ("at start", "right"),
    ("caught", "right"),
    ("added", "right"),
    ("ran over", "right"),
    ("drawn by runs", "right"),
    ("taken", "right"),
    ("leak", "right"),
    ("at end", "right"),
    ("unexplained", "right"),
]


def balance_answer(site: Site, store: Store, first: date) -> BalanceAnswer:
    """The balance of each closed day from ``first`` on; unknown is None."""
    days = store.water_days_since(first)
    return BalanceAnswer(garden=site.name, days=[_day(d) for d in days])


def _day(day: RecordWaterDay) -> WaterDayAnswer:
    beyond = None
    if day.rest_l is not None and day.rest_sd_l is not None:
        beyond = abs(day.rest_l) > BEYOND_SIGMAS * day.rest_sd_l
    return WaterDayAnswer(
        day=day.day,
        start_l=day.start_l,
        caught_l=day.caught_l,
        added_l=day.added_l,
        overflow_l=day.overflow_l,
        drawn_l=day.drawn_l,
        taken_l=day.taken_l,
        leak_l=day.leaked_l,
        end_l=day.end_l,
        rest_l=day.rest_l,
        rest_sd_l=day.rest_sd_l,
        beyond_chance=beyond,
    )


def balance_rows(site: Site, answer: BalanceAnswer) -> tuple[Columns, Rows]:
    """One row a day; what is not known says so."""
    units = site.units

    def shown(litres: float | None) -> str:
        return show_volume(litres, units) if litres is not None else "not known"

    rows: Rows = []
    for d in answer.days:
        rest = "not known"
        if d.rest_l is not None and d.rest_sd_l is not None:
            rest = f"{show_volume(d.rest_l, units)} +- {show_volume(BEYOND_SIGMAS * d.rest_sd_l, units)}"
        rows.append(
            [
                f"{d.day:%a %d %b}",
                shown(d.start_l),
                shown(d.caught_l),
                shown(d.added_l),
                shown(d.overflow_l),
                shown(d.drawn_l),
                shown(d.taken_l),
                shown(d.leak_l),
                shown(d.end_l),
                rest,
            ]
        )
    return COLUMNS, rows


def balance_words(site: Site, answer: BalanceAnswer) -> list[str]:
    """What a person should make of it."""
    if not answer.days:
        return ["No day is closed yet: the first balance stands after the first whole day."]
    lost = [d for d in answer.days if _clearly_off(d) and (d.rest_l or 0.0) > 0.0]
    found = [d for d in answer.days if _clearly_off(d) and (d.rest_l or 0.0) < 0.0]
    lines = []
    if lost:
        leak = "more than the leak that is counted" if any(_leaks(d) for d in lost) else "a leak"
        lines.append(
            f"{_sum_words(site, lost)} went on {_days(len(lost))} that nobody accounted for: {leak}, a "
            "tap, a can not told (fallinghead took). Look at joints and taps at dusk, when all is dry."
        )
    if found:
        lines.append(
            f"{_sum_words(site, found)} more than accounted for came on {_days(len(found))}: rain that "
            "the service did not know (fallinghead rained), or a top-up not told (fallinghead topped-up)."
        )
    known = [d for d in answer.days if d.rest_l is not None]
    near = [d for d in known if d.beyond_chance and not _clearly_off(d)]
    if near:
        close = "closes" if len(near) == 1 else "close"
        lines.append(
            f"{_days(len(near))} of {len(known)} {close} just outside what the level sensor can tell; by "
            "chance about 1 day in 20 does."
        )
    elif known and not lost and not found:
        lines.append("Every day that is known closes within what the level sensor can tell.")
    return lines


def _clearly_off(day: WaterDayAnswer) -> bool:
    """Beyond what people are told of as lost: of a month's days chance brings one or two beyond 2 sd."""
    if day.rest_l is None or day.rest_sd_l is None:
        return False
    return abs(day.rest_l) >= CLEARLY_SIGMAS * day.rest_sd_l


def _leaks(day: WaterDayAnswer) -> bool:
    return day.leak_l is not None and day.leak_l >= LEAK_TOLD_L


def _sum_words(site: Site, days: Sequence[WaterDayAnswer]) -> str:
    """What these days are off together, and its doubt. Days that share a level err against each other, so
    that their sum is no more doubtful than this."""
    off_l = abs(sum(d.rest_l or 0.0 for d in days))
    doubt_l = BEYOND_SIGMAS * math.hypot(*(d.rest_sd_l or 0.0 for d in days))
    return f"{show_volume(off_l, site.units)} +- {show_volume(doubt_l, site.units)}"


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"
