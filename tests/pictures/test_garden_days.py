"""The drawing of some days: dates that can be read."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest

from scheduler.pictures.garden_days import GardenDay, GardenDays, garden_days_svg, marked_days


@pytest.mark.parametrize("days", [1, 2, 7, 10, 11, 14, 31, 120, 365])
def test_dates_below_are_equally_far_apart_and_no_more_than_have_room(days: int) -> None:
    first = date(2012, 7, 24)
    marked = marked_days(first, first + timedelta(days=days - 1))
    gaps = {b - a for a, b in pairwise(marked)}
    assert marked[0] == first and 1 <= len(marked) <= 10 and len(gaps) <= 1


def test_each_marked_day_is_written_once() -> None:
    first = date(2012, 7, 24)
    days = tuple(GardenDay(first + timedelta(days=n), 500.0, 0.0, (("Bed", 20.0),), 0) for n in range(14))
    svg = garden_days_svg(GardenDays(days, "litres", "mm", 100.0, 3))
    for word in ("24 Jul", "26 Jul", "1 Aug"):
        assert svg.count(f">{word}<") == 1 or svg.count(f"<!-- {word} -->") == 1
