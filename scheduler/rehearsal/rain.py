"""When the rain of a day falls, and what the roof brings into the barrels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

import numpy as np

from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import Site
from scheduler.supply.roof import roof_catch_l

# A day's rain falls in one shower of this length (a choice of this rehearsal; daily data say nothing of it).
SHOWER_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Shower:
    """Water that reaches the barrels, ``litres`` evenly between two instants (seconds since the start)."""

    start_s: float
    end_s: float
    litres: float

    def fallen_share(self, at_s: float) -> float:
        """The share of the shower that has fallen by ``at_s``, 0 to 1."""
        return min(1.0, max(0.0, (at_s - self.start_s) / (self.end_s - self.start_s)))


def showers(
    site: Site, days: Sequence[DayWeather], origin: datetime, rng: np.random.Generator
) -> tuple[Shower, ...]:
    """One shower for each wet day, at an hour drawn for that day. First flush is lost once a wet day.

    A shower of 0 litres wets the beds and leaves no trace in the barrels.
    """
    found = []
    for day in days:
        share = float(rng.random())  # drawn for dry days too, so that one wet day more shifts no other
        if not day.rain_mm:
            continue
        midnight = datetime.combine(day.day, time(), tzinfo=site.place.timezone).astimezone(UTC)
        start = midnight + timedelta(seconds=share * (86_400.0 - SHOWER_S))
        start_s = (start - origin).total_seconds()
        found.append(Shower(start_s, start_s + SHOWER_S, roof_catch_l(site.roof, day.rain_mm)))
    return tuple(found)
