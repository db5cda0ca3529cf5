"""How long a valve takes to open and to shut, from times taken by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scheduler.site.model import Site, Valve
from scheduler.site.showing import show_duration
from scheduler.survey.intervals import Measured, error_scale
from scheduler.survey.tests_done import TravelTimes

# One sd of a time taken by eye and stop-watch (common practice, no source).
WATCH_SD_S = 0.3
# A travel this much longer than the shortest, of one direction, is a valve that sticks.
STICKS_SHARE = 0.3
# A travel this far from the drawn one is worth writing into the site file.
OFF_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class TravelResult:
    """Mean travel in each direction with its 95 % interval, the longest seen, and whether it sticks."""

    zone: str
    opening_s: Measured
    closing_s: Measured
    longest_s: float
    sticks: bool
    verdict: str

    def on(self, valve: Valve) -> Valve:
        """The valve with the travel times found."""
        return replace(valve, opening_s=self.opening_s.value, closing_s=self.closing_s.value)


def travel_times(site: Site, record: TravelTimes) -> TravelResult:
    """What the times say of a zone's valve. KeyError for an unknown zone."""
    valve = site.zone(record.zone).valve
    opening, closing = _mean(record.opening_s), _mean(record.closing_s)
    sticks = any(max(t) > (1.0 + STICKS_SHARE) * min(t) for t in (record.opening_s, record.closing_s))
    words = [
        f"It opens in {show_duration(opening.value)} and shuts in {show_duration(closing.value)}.",
        *_off_words("opening", opening.value, valve.opening_s),
        *_off_words("closing", closing.value, valve.closing_s),
    ]
    if sticks:
        words.append("It does not take the same time each time: see whether it sticks, then time it again.")
    longest = max(*record.opening_s, *record.closing_s)
    return TravelResult(record.zone, opening, closing, longest, sticks, " ".join(words))


def _mean(times: Sequence[float]) -> Measured:
    values = np.array(times)
    mean = float(values.mean())
    square = float((((values - mean) / WATCH_SD_S) ** 2).sum())
    widen, t = error_scale(square, len(values) - 1)
    return Measured.of(mean, widen * WATCH_SD_S / math.sqrt(len(values)), t)


def _off_words(word: str, found_s: float, drawn_s: float) -> list[str]:
    if drawn_s <= 0.0 or abs(found_s / drawn_s - 1.0) <= OFF_SHARE:
        return []
    return [f"The site file says {show_duration(drawn_s)} for {word}: write in what was found."]
