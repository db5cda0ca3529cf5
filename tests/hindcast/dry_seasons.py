"""Thirty dry seasons: Seattle's four years, Greensboro and Maricopa, store and roof varied.

A command prints the stress, weighted by rank, of rationing and of first-come watering over that of the
planner who knows the weather in advance.

PYTHONPATH=. python -m tests.hindcast.dry_seasons [SEED ...]
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tests.hindcast import places
from tests.hindcast.seasons import MEMBERS, DrySeason, foresight, run_alike, weighted

# Store in litres (one 208 L drum and more) and roof in m2: with what stands over the reserve they bring less
# than half of what the plants would use, so that the store cannot last.
STORES: tuple[tuple[float, float], ...] = (
    (250.0, 0.0),
    (400.0, 0.0),
    (600.0, 0.0),
    (400.0, 3.0),
    (600.0, 3.0),
    (400.0, 6.0),
)
# Where it rains in summer, and where next to nothing falls.
WET_STORES = ((250.0, 0.0), (400.0, 0.0), (600.0, 0.0))
ARID_STORES = ((400.0, 6.0), (600.0, 12.0), (1000.0, 3.0))
SEATTLE_SPAN = ((6, 1), (9, 15))
GREENSBORO_SPAN = ((5, 15), (9, 15))
MARICOPA_SPAN = ((5, 15), (8, 31))
# The first seed of the forecasts' errors that no choice of the rationing was made on.
FIRST_FRESH = 21


@dataclass(frozen=True, slots=True)
class Compared:
    """Stress weighted by rank of one season by three planners."""

    name: str
    foresight: float
    rationed: float
    first_come: float
    lowest_l: float

    @property
    def excess(self) -> float:
        return self.rationed / self.foresight - 1.0

    @property
    def first_come_excess(self) -> float:
        return self.first_come / self.foresight - 1.0


def dry_seasons(seed: int = FIRST_FRESH) -> dict[str, DrySeason]:
    """Thirty of them by name."""
    found = {}
    for year in (2012, 2013, 2014, 2015):
        for store_l, roof_m2 in STORES:
            start, end = (date(year, month, day) for month, day in SEATTLE_SPAN)
            found[f"Seattle {year}, {store_l:.0f} L, {roof_m2:.0f} m2"] = DrySeason(
                places.SEATTLE, places.seattle(), "other years", start, end, store_l, roof_m2, seed
            )
    for name, place, days, span, stores in (
        ("Greensboro", places.GREENSBORO, places.greensboro(), GREENSBORO_SPAN, WET_STORES),
        ("Maricopa 2022", places.MARICOPA, places.maricopa(), MARICOPA_SPAN, ARID_STORES),
    ):
        for store_l, roof_m2 in stores:
            start, end = (date(days[0].day.year, month, day) for month, day in span)
            found[f"{name}, {store_l:.0f} L, {roof_m2:.0f} m2"] = DrySeason(
                place, days, "before", start, end, store_l, roof_m2, seed
            )
    return found


def compared(seasons: Mapping[str, DrySeason], *, members: int = MEMBERS) -> list[Compared]:
    """Seasons that differ in store and roof alone, by the three planners."""
    several = list(seasons.values())
    rationed = run_alike(several, "rationed", members=members)
    first_come = run_alike(several, "first come")
    return [
        Compared(
            name,
            weighted(season, foresight(season)),
            weighted(season, ours.stress),
            weighted(season, theirs.stress),
            ours.lowest_l,
        )
        for name, season, ours, theirs in zip(seasons, several, rationed, first_come, strict=True)
    ]


def grouped(seasons: Mapping[str, DrySeason]) -> list[dict[str, DrySeason]]:
    """Those that differ in store and roof alone, together."""
    groups: dict[tuple[object, date], dict[str, DrySeason]] = {}
    for name, season in seasons.items():
        groups.setdefault((season.place, season.start), {})[name] = season
    return list(groups.values())


def medians(of: Iterable[Compared]) -> tuple[float, float]:
    """Median excess over foresight of rationing and of first-come watering."""
    every = list(of)
    return statistics.median(c.excess for c in every), statistics.median(c.first_come_excess for c in every)


def main(seeds: Sequence[int]) -> None:
    print("stress weighted by rank: foresight, rationed (over it), first come (over it)")
    pooled: list[Compared] = []
    for seed in seeds:
        every = []
        for group in grouped(dry_seasons(seed)):
            for c in compared(group):
                every.append(c)
                print(line(c), flush=True)
        print(_medians_line(f"seed {seed}", every), flush=True)
        pooled.extend(every)
    print(_medians_line("all seeds", pooled))


def _medians_line(name: str, of: Sequence[Compared]) -> str:
    ours, first_come = medians(of)
    return f"{name}: median over {len(of)} seasons: rationed {ours:+.1%}, first come {first_come:+.0%}"


def line(c: Compared) -> str:
    return (
        f"{c.name:30} {c.foresight:6.3f}  {c.rationed:6.3f} ({c.excess:+5.0%})  "
        f"{c.first_come:6.3f} ({c.first_come_excess:+6.0%})  lowest {c.lowest_l:.0f} L"
    )


if __name__ == "__main__":
    main([int(seed) for seed in sys.argv[1:]] or [FIRST_FRESH])
