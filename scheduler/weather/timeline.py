"""Figures that hold for spans of time, by local days: sums split pro rata, states weighted by time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

# Of a day's minutes, so many may be missing and the day still counts as whole.
GAP_ALLOWED = timedelta(minutes=1)
# No forecast service gives one figure for longer than this.
LONGEST_SPAN = timedelta(days=16)

# ISO 8601 durations as the US service writes them: PT1H, PT19H, P1D, P1DT12H, P7D.
_DURATION = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,3})H)?(?:(\d{1,4})M)?)?")


@dataclass(frozen=True, slots=True)
class Span:
    """One figure and when it holds: ``start`` up to but not including ``end``, aware UTC. None: unknown."""

    start: datetime
    end: datetime
    value: float | None


def duration(text: str) -> timedelta:
    """An ISO 8601 duration of days, hours and minutes; ValueError for anything else, or none at all."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()) or text.endswith("T"):
        raise ValueError(f"{text[:20]!r} is no duration")
    days, hours, minutes = (int(g or 0) for g in match.groups())
    length = timedelta(days=days, hours=hours, minutes=minutes)
    if not timedelta() < length <= LONGEST_SPAN:
        raise ValueError(f"{text[:20]!r} is no duration of a forecast")
    return length


def moment(text: str) -> datetime:
    """An instant with its offset, such as 2031-06-01T18:00:00+00:00 or ...Z, in UTC; ValueError otherwise."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text[:30]!r} has no zone")
    return at.astimezone(UTC)


def bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Beginning and end of a local day in UTC: 23, 24 or 25 hours."""
    after = day + timedelta(days=1)
    start, end = (datetime.combine(d, time(), zone).astimezone(UTC) for d in (day, after))
    return start, end


def day_sum(spans: Sequence[Span], day: date, zone: ZoneInfo) -> float | None:
    """The day's share of sums; None unless known spans cover the whole day.

    A sum over several days is spread evenly over its time: the service does not say better.
    """
    start, end = bounds(day, zone)
    total, covered = 0.0, timedelta()
    for span, overlap in _overlaps(spans, start, end):
        if span.value is not None:
            total += span.value * (overlap / (span.end - span.start))
            covered += overlap
    return total if covered >= end - start - GAP_ALLOWED else None


def states(spans: Sequence[Span], start: datetime, end: datetime) -> tuple[list[tuple[float, float]], float]:
    """(hours, value) of the known states between two instants, and the share of that time they cover."""
    pairs = [
        (overlap / timedelta(hours=1), span.value)
        for span, overlap in _overlaps(spans, start, end)
        if span.value is not None
    ]
    whole = (end - start) / timedelta(hours=1)
    return pairs, sum(h for h, _ in pairs) / whole if whole > 0.0 else 0.0


def mean(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Mean of states weighted by how long they hold."""
    hours = sum(h for h, _ in pairs)
    return sum(h * v for h, v in pairs) / hours if hours > 0.0 else None


def without_overlap(spans: Sequence[Span]) -> list[Span]:
    """Spans by rising start, leaving out any that begins before the one before it has ended.

    So that an hour is not counted again in the six hours around it.
    """
    kept: list[Span] = []
    for span in sorted(spans, key=lambda s: (s.start, s.end)):
        if not kept or span.start >= kept[-1].end:
            kept.append(span)
    return kept


def _overlaps(spans: Sequence[Span], start: datetime, end: datetime) -> list[tuple[Span, timedelta]]:
    found = ((s, min(s.end, end) - max(s.start, start)) for s in spans)
    return [(s, o) for s, o in found if o > timedelta()]
