"""What past summers would have asked of a garden: litres that the barrels could not give, and those lost.

The garden as it stands is set under each past summer's weather: the barrels full and the roots moist on the
first day, no leak (it is to be mended, not planned for), every plant given all that it wants. What the store
cannot give is counted, not carried on: it is what would have had to be topped up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.planning.garden import GardenModel
from scheduler.planning.garden_ahead import LEAST_L, garden_ahead
from scheduler.planning.past_years import PastWeather
from scheduler.planning.trajectories import store_trajectories

# The months in which gardens are watered, north of the equator; south of it half a year later.
SEASON_MONTHS = (5, 9)
# Shorter stretches of known weather tell nothing of a summer.
LEAST_DAYS = 30


@dataclass(frozen=True, slots=True)
class PastSummer:
    """One past summer, litres. ``days_short``: days on which some zone got less than it wanted."""

    first: date
    last: date
    wanted_l: float
    short_l: float
    days_short: int
    caught_l: float
    overflow_l: float


def past_summers(model: GardenModel, past: PastWeather) -> tuple[PastSummer, ...]:
    """Every past summer of which at least ``LEAST_DAYS`` days in a row are known, oldest first."""
    return tuple(_summer(model, past, *days) for days in _known_summers(past))


def _summer(model: GardenModel, past: PastWeather, opens: date, first: date, last: date) -> PastSummer:
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    start = (first - past.first).days
    rows = slice(start, start + len(days))
    # The plants as they are in the year in which the newest was planted, whatever the summer.
    shift = _standing_year(model) - opens.year
    garden = garden_ahead(model, [_shifted(d, shift) for d in days])
    found = store_trajectories(
        garden, garden.full_l, garden.start({}), past.et0_mm[None, rows], past.rain_mm[None, rows]
    )
    short = found.wanted_l[0] - found.given_l[0]
    return PastSummer(
        first=first,
        last=last,
        wanted_l=float(found.wanted_l.sum()),
        short_l=float(short.sum()),
        days_short=int(np.count_nonzero(short > LEAST_L)),
        caught_l=float(found.caught_l.sum()),
        overflow_l=float(found.overflow_l.sum()),
    )


def _standing_year(model: GardenModel) -> int:
    """The year in which the season opens that sees all plants stand; of plants without a date, any."""
    planted = max((p.planted for p in model.site.plants if p.planted is not None), default=date(2001, 4, 1))
    opens, closes = _season(planted.year, model.site.place.latitude_deg)
    return planted.year - 1 if planted < closes.replace(year=planted.year) < opens else planted.year


def _shifted(day: date, years: int) -> date:
    leap_day = (day.month, day.day) == (2, 29)
    return day.replace(year=day.year + years, day=28 if leap_day else day.day)


def _known_summers(past: PastWeather) -> Iterator[tuple[date, date, date]]:
    """Of each summer its opening, and first and last day of the longest stretch that is known."""
    known = np.isfinite(past.et0_mm) & np.isfinite(past.rain_mm)
    end = past.first + timedelta(days=len(known) - 1)
    for year in range(past.first.year - 1, end.year + 1):
        opens, closes = _season(year, past.latitude_deg)
        best: tuple[date, date] | None = None
        began: date | None = None
        for n in range((closes - opens).days + 2):
            day = opens + timedelta(days=n)
            row = (day - past.first).days
            if day <= closes and 0 <= row < len(known) and known[row]:
                began = began or day
                continue
            if began is not None and (best is None or day - began > best[1] - best[0]):
                best = (began, day - timedelta(days=1))
            began = None
        if best is not None and (best[1] - best[0]).days + 1 >= LEAST_DAYS:
            yield (opens, *best)


def _season(year: int, latitude_deg: float) -> tuple[date, date]:
    first, last = SEASON_MONTHS
    if latitude_deg >= 0.0:
        return date(year, first, 1), date(year, last, 30)
    return date(year, first + 6, 1), date(year + 1, last - 6, 31)
