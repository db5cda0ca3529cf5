from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.weather.timeline import Span, bounds, day_sum, duration, mean, moment, states, without_overlap

ZONE = ZoneInfo("America/Los_Angeles")
DAY = date(2031, 6, 2)


@pytest.mark.parametrize(
    ("text", "hours"),
    # Those that stored samples of the US service show, by ISO 8601.
    [("PT1H", 1), ("PT19H", 19), ("P1D", 24), ("P1DT12H", 36), ("P2DT18H", 66), ("P7D", 168)],
)
def test_durations_of_days_and_hours_are_read(text: str, hours: int) -> None:
    assert duration(text) == timedelta(hours=hours)


@pytest.mark.parametrize(
    "text", ["", "P", "PT", "P1DT", "PT0H", "P1M", "P1Y", "-PT1H", "P99D", "1H", "PT1.5H"]
)
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="duration"):
        duration(text)


def test_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no zone"):
        moment("2031-06-01T18:00:00")
    assert moment("2031-06-01T18:00:00Z") == moment("2031-06-01T20:00:00+02:00")


def test_merged_rain_is_split_by_time_and_a_merged_state_is_not() -> None:
    start = bounds(DAY, ZONE)[0]
    two_days = [Span(start, start + timedelta(days=2), 10.0)]
    assert day_sum(two_days, DAY, ZONE) == pytest.approx(5.0)
    pairs, cover = states(two_days, *bounds(DAY, ZONE))
    assert mean(pairs) == 10.0 and cover == 1.0


def test_a_day_with_a_hole_or_a_null_has_no_sum() -> None:
    start, end = bounds(DAY, ZONE)
    half = start + timedelta(hours=12)
    assert day_sum([Span(start, half, 1.0)], DAY, ZONE) is None
    assert day_sum([Span(start, half, 1.0), Span(half, end, None)], DAY, ZONE) is None
    assert day_sum([Span(start, half, 1.0), Span(half, end, 0.0)], DAY, ZONE) == pytest.approx(1.0)


@given(st.lists(st.tuples(st.integers(1, 40), st.floats(0, 20)), min_size=1, max_size=40))
def test_rain_split_over_days_is_neither_lost_nor_made(pieces: list[tuple[int, float]]) -> None:
    at, spans = bounds(DAY, ZONE)[0], []
    for hours, value in pieces:
        spans.append(Span(at, at + timedelta(hours=hours), value))
        at = spans[-1].end
    spans.append(Span(at, at + timedelta(days=1), 0.0))  # so that the last day is whole
    days = [DAY + timedelta(days=n) for n in range((at.astimezone(ZONE).date() - DAY).days + 1)]
    found = [day_sum(spans, d, ZONE) for d in days]
    assert sum(f for f in found if f is not None) == pytest.approx(sum(v for _, v in pieces))


def test_a_span_within_another_is_left_out() -> None:
    at = datetime(2031, 6, 2, tzinfo=UTC)
    hour, six = Span(at, at + timedelta(hours=1), 1.0), Span(at, at + timedelta(hours=6), 3.0)
    assert without_overlap([six, hour]) == [hour]
