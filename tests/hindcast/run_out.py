"""Prints how well the span of the run-out day held the truth, over every season, setting and past.

PYTHONPATH=. python -m tests.hindcast.run_out [SEED]
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.trajectories import EARLY, LATE
from scheduler.site.model import GardenPlace
from tests.hindcast import places
from tests.hindcast.hindcasting import (
    LEADS_D,
    SETTINGS,
    Past,
    Said,
    Setting,
    covered,
    covered_ties_shared,
    error_of_share,
    errors_d,
    season,
    starts,
    would_hold,
)

# Records whose span was looked at while the spread was being set; the others only judge.
TUNED_ON = ("Seattle 2012", "Seattle 2013")


@dataclass(frozen=True, slots=True)
class Record:
    """A year of a place and the seasons that begin in it."""

    name: str
    place: GardenPlace
    days: Sequence[DayWeather]
    begins: tuple[date, ...]
    last: date
    past: Past


@dataclass(slots=True)
class Found:
    """What was said over a record: on every seventh day, and so many days ahead of the end."""

    weekly: list[Said] = field(default_factory=list)
    ahead: dict[int, list[Said]] = field(default_factory=lambda: {n: [] for n in LEADS_D})


def records() -> Iterator[Record]:
    """The four Seattle years with the other years as the past, and (where that is another one) with the past
    known by then; the one Greensboro year and the one Maricopa season with what lies before the day."""
    seattle = places.seattle()
    pasts: tuple[tuple[int, Past], ...] = (
        *((year, "other years") for year in (2012, 2013, 2014, 2015)),
        *((year, "before") for year in (2013, 2014)),
    )
    for year, past in pasts:
        begins, last = tuple(starts(year)), date(year, 11, 30)
        yield Record(f"Seattle {year}", places.SEATTLE, seattle, begins, last, past)
    typical = places.greensboro()
    year = typical[0].day.year
    yield Record("Greensboro", places.GREENSBORO, typical, tuple(starts(year)), date(year, 11, 30), "before")
    one = places.maricopa()
    first, last = one[0].day, one[-1].day
    begins = tuple(d for d in starts(first.year) if first <= d <= last)
    yield Record("Maricopa 2022", places.MARICOPA, one, begins, last, "before")


def judged(
    record: Record,
    settings: Iterable[Setting] = SETTINGS,
    *,
    every_d: int = 7,
    leads_d: Sequence[int] = LEADS_D,
    seed: int = 11,
) -> Found:
    """Every season of the record in every setting; ``seed`` is that of the forecasts' errors."""
    found = Found()
    for setting in settings:
        for start in record.begins:
            weekly, ahead = season(
                setting,
                record.place,
                record.days,
                start,
                record.last,
                record.past,
                every_d=every_d,
                leads_d=leads_d,
                seed=seed,
            )
            found.weekly.extend(weekly)
            for lead, said in ahead.items():
                found.ahead[lead].append(said)
    return found


def joined(parts: Iterable[Found]) -> Found:
    whole = Found()
    for part in parts:
        whole.weekly.extend(part.weekly)
        for lead, said in part.ahead.items():
            whole.ahead[lead].extend(said)
    return whole


HEAD = (
    "share of days on which the span held the truth: in whole days (and what it would be, were the truth\n"
    "like a member), and strictly, ties shared (80 % where members are as likely as the truth); the truth\n"
    "before / after the span; ahead of the end: median error of the middle day, |median size|, (count)"
)


def line(name: str, past: str, found: Found) -> str:
    leads = "  ".join(_lead(n, found.ahead[n]) for n in LEADS_D)
    said = found.weekly
    return (
        f"{name:20} {past:12} {len(said):5}  {covered(said):5.1%} ({would_hold(said):5.1%})  "
        f"{covered_ties_shared(said):5.1%}  {_beside(said)}   {leads}"
    )


def errors_line(parts: Sequence[Found]) -> str:
    """How well the shares over those records are known."""
    whole, strict = (
        error_of_share([p.weekly for p in parts], share) for share in (covered, covered_ties_shared)
    )
    return f"  standard error of both shares, between {len(parts)} records: {whole:.1%}, {strict:.1%}"


def _beside(said: Sequence[Said]) -> str:
    """Shares of the days on which the truth came before the early and after the late day."""
    if not said:
        return "-"
    before = statistics.fmean(not s.held and s.by_then <= EARLY for s in said)
    after = statistics.fmean(not s.held and s.before >= LATE for s in said)
    return f"{before:5.1%}/{after:5.1%}"


def _lead(lead_d: int, said: Sequence[Said]) -> str:
    errors = errors_d(said)
    if not errors:
        return f"{lead_d:2} d: -"
    middle = statistics.median(errors)
    size = statistics.median(abs(e) for e in errors)
    return f"{lead_d:2} d: {middle:+.1f}, |{size:.1f}| ({len(errors)})"


def main(seed: int) -> None:
    print(f"seed {seed}; {HEAD}")
    groups: dict[str, list[Found]] = {}
    for record in records():
        found = judged(record, seed=seed)
        print(line(record.name, record.past, found), flush=True)
        groups.setdefault(f"{_group(record)}", []).append(found)
    for name, parts in groups.items():
        print(line(name, "", joined(parts)))
    once = [*groups["tuned on"], *groups["judged"]]
    print(line("each record once", "", joined(once)))
    print(errors_line(once))


def _group(record: Record) -> str:
    if record.place is places.SEATTLE and record.past == "before":
        return "past known by then"
    return "tuned on" if record.name in TUNED_ON else "judged"


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 11)
