"""Windows are local times; a clock change never lets a run begin early or end late."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.planning.windows import local_midnight, spans_of_day, window_at
from scheduler.site.model import Site, WateringWindow
from tests.support.gardens import small_garden

BERLIN = ZoneInfo("Europe/Berlin")


def garden(*windows: WateringWindow, zone: ZoneInfo = BERLIN) -> Site:
    site = small_garden()
    return replace(site, place=replace(site.place, timezone=zone), windows=windows)


def at(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


def test_a_plain_day_is_the_local_times() -> None:
    (span,) = spans_of_day(garden(WateringWindow(time(5), time(8))), date(2026, 7, 10))
    assert (span.start, span.end) == (at(2026, 7, 10, 3), at(2026, 7, 10, 6))  # CEST = UTC+2


# In 2026 clocks in Berlin go from 2 to 3 on 29 March and from 3 back to 2 on 25 October (EU Directive
# 2000/84/EC).
@pytest.mark.parametrize(
    ("day", "start", "end", "expected"),
    [
        (date(2026, 3, 29), time(1, 30), time(4), (at(2026, 3, 29, 0, 30), at(2026, 3, 29, 2))),
        (date(2026, 3, 29), time(2, 30), time(4), (at(2026, 3, 29, 1, 30), at(2026, 3, 29, 2))),
        (date(2026, 3, 29), time(0, 30), time(2, 30), (at(2026, 3, 28, 23, 30), at(2026, 3, 29, 0, 30))),
        (date(2026, 10, 25), time(1), time(2, 30), (at(2026, 10, 24, 23), at(2026, 10, 25, 0, 30))),
        (date(2026, 10, 25), time(2, 30), time(4), (at(2026, 10, 25, 1, 30), at(2026, 10, 25, 3))),
    ],
)
def test_clock_changes(day: date, start: time, end: time, expected: tuple[datetime, datetime]) -> None:
    (span,) = spans_of_day(garden(WateringWindow(start, end)), day)
    assert (span.start, span.end) == expected


def test_a_window_past_midnight_gives_its_end_to_the_next_day() -> None:
    site = garden(WateringWindow(time(22), time(1), frozenset({4})))  # Fridays
    friday, saturday, sunday = (spans_of_day(site, date(2026, 7, d)) for d in (10, 11, 12))
    assert [(s.start, s.end) for s in friday] == [(at(2026, 7, 10, 20), at(2026, 7, 10, 23))]
    assert [(s.start, s.end) for s in saturday] == [(at(2026, 7, 10, 22), at(2026, 7, 10, 23))]
    assert sunday == ()
    assert window_at(site, at(2026, 7, 10, 22, 30)) is not None
    assert window_at(site, at(2026, 7, 11, 22, 30)) is None


def test_a_local_day_begins_at_its_first_midnight() -> None:
    assert local_midnight(date(2012, 7, 20), ZoneInfo("America/Los_Angeles")) == at(2012, 7, 20, 7)
    # Cuba sets its clocks back from 1 o'clock to midnight: on 1 November 2026 it comes twice (tz database).
    assert local_midnight(date(2026, 11, 1), ZoneInfo("America/Havana")) == at(2026, 11, 1, 4)


times = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 45]))


@given(
    times,
    times,
    st.dates(date(2024, 1, 1), date(2027, 12, 31)),
    st.sampled_from(["Europe/Berlin", "America/Los_Angeles", "Australia/Lord_Howe", "UTC"]),
    st.floats(0.0, 1.0),
)
def test_every_instant_of_a_span_reads_as_inside_the_window(
    start: time, end: time, day: date, zone_name: str, share: float
) -> None:
    site = garden(WateringWindow(start, end), zone=ZoneInfo(zone_name))
    for span in spans_of_day(site, day):
        assert span.start < span.end
        instant = span.start + timedelta(seconds=int(share * (span.end - span.start).total_seconds()))
        local = instant.astimezone(site.place.timezone).time().replace(tzinfo=None)
        inside = start <= local <= end if start < end else (local >= start or local <= end)
        # A start inside the hour that spring skips may read up to that hour later; never earlier.
        assert inside
        if instant < span.end:
            assert window_at(site, instant) is not None


def test_a_window_is_the_same_in_whatever_order_days_and_gardens_are_asked() -> None:
    """The day at hand is kept by garden; another day or garden between must not answer for it."""
    night = garden(WateringWindow(time(22), time(2), frozenset({0})))  # Mondays
    morning = garden(WateringWindow(time(5), time(8)))
    monday = at(2026, 7, 13, 20, 30)
    for _ in range(2):
        for late in (monday, monday + timedelta(hours=3)):  # before midnight and after
            span = window_at(night, late)
            assert span is not None
            assert (span.start, span.end) == (at(2026, 7, 13, 20), at(2026, 7, 14))
        assert window_at(night, monday + timedelta(days=1)) is None
        span = window_at(morning, at(2026, 7, 14, 4))
        assert span is not None
        assert span.start == at(2026, 7, 14, 3)
