"""Watering windows as instants. They stand in the garden's local time; clock changes never widen them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from scheduler.site.kept import kept
from scheduler.site.model import Site, WateringWindow


@dataclass(frozen=True, slots=True)
class WindowSpan:
    """From when to when (UTC) runs may start and must end."""

    start: datetime
    end: datetime


def local_midnight(day: date, zone: ZoneInfo) -> datetime:
    """The instant (UTC) at which a local day begins."""
    return _instants(day, time(0), zone)[0]


def _instants(day: date, at: time, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The earlier and the later instant that a local time can mean on a day.

    They differ by the hour that a clock change skips or repeats, and are the same on other days.
    """
    both = [datetime.combine(day, at.replace(fold=fold), tzinfo=zone).astimezone(UTC) for fold in (0, 1)]
    return min(both), max(both)


@lru_cache(maxsize=64)
def _span(window: WateringWindow, day: date, zone: ZoneInfo) -> WindowSpan | None:
    """The span of a window that starts on ``day``, within either reading of a time that comes twice."""
    if day.weekday() not in window.days:
        return None
    end_day = day if window.end > window.start else day + timedelta(days=1)
    start = _instants(day, window.start, zone)[1]
    end = _instants(end_day, window.end, zone)[0]
    return WindowSpan(start, end) if start < end else None


def spans_of_day(site: Site, day: date) -> tuple[WindowSpan, ...]:
    """All spans that touch a local day, by start: those that begin on it whole, and what is left over past
    midnight of those that began the day before."""
    zone = site.place.timezone
    midnight = local_midnight(day, zone)
    spans: list[WindowSpan] = []
    for window in site.windows:
        before = _span(window, day - timedelta(days=1), zone)
        if before is not None and before.end > midnight:
            spans.append(WindowSpan(max(before.start, midnight), before.end))
        today = _span(window, day, zone)
        if today is not None:
            spans.append(today)
    return tuple(sorted(spans, key=lambda s: (s.start, s.end)))


def window_at(site: Site, instant: datetime) -> WindowSpan | None:
    """The window that an instant lies in (of several, the one that ends last), or None."""
    day = instant.astimezone(site.place.timezone).date()
    days = _near(site)
    spans = days.get(day)
    if spans is None:
        spans = _reaching(site, day)
        days.clear()  # time goes on: only the day at hand is asked for again and again
        days[day] = spans
    found = [span for span in spans if span.start <= instant < span.end]
    return max(found, key=lambda s: s.end) if found else None


@kept
def _near(_: Site) -> dict[date, tuple[WindowSpan, ...]]:
    """The spans that reach into the day asked for last, by that day."""
    return {}


def _reaching(site: Site, day: date) -> tuple[WindowSpan, ...]:
    return tuple(
        span
        for window in site.windows
        for start_day in (day - timedelta(days=1), day)
        if (span := _span(window, start_day, site.place.timezone)) is not None
    )
