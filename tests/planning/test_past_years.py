"""The weather beyond the forecast, drawn from a made-up past of which all is known."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from scheduler.planning.past_years import PastWeather, resampled

FIRST, DAYS, MEMBERS = date(2012, 7, 1), 40, 50
YEARS_D = 3 * 365
DRY_MM, WET_MM, RAIN_MM = 4.0, 2.0, 5.0


def every_third_day_wet(et0_wet_mm: float = WET_MM) -> PastWeather:
    """At the equator, where the sun hardly changes; a wet day asks half of what a dry one does."""
    wet = np.arange(YEARS_D) % 3 == 0
    et0, rain = np.where(wet, et0_wet_mm, DRY_MM), np.where(wet, RAIN_MM, 0.0)
    return PastWeather(date(2009, 7, 2), et0, rain, 0.0)


def test_a_day_whose_rain_is_taken_away_asks_as_much_as_a_dry_one() -> None:
    """A summer without rain is not a rainy one with its rain left out: its days are not dull."""
    drawn = resampled(every_third_day_wet(), FIRST, DAYS, MEMBERS)
    assert drawn is not None
    et0, rain = drawn
    without = ~(rain > 0.0).any(axis=1)
    # Of n years' members one in n + 1 sees no rain at all: more than any of the past.
    assert np.count_nonzero(without) >= MEMBERS // 4
    # Within a member the sun alone tells the days apart: by 4 % at the equator from July to mid August.
    assert (et0[without].max(axis=1) / et0[without].min(axis=1)).max() < 1.1
    # A dry day of any member asks twice what a wet one of the same does.
    some = (rain > 0.0).any(axis=1)
    for one, fell in zip(et0[some], rain[some] > 0.0, strict=True):
        assert one[~fell].mean() / one[fell].mean() == pytest.approx(DRY_MM / WET_MM, rel=0.05)


def test_where_wet_days_ask_as_much_as_dry_ones_nothing_is_added() -> None:
    drawn = resampled(every_third_day_wet(DRY_MM), FIRST, DAYS, MEMBERS)
    assert drawn is not None
    et0, _ = drawn
    assert (et0.max(axis=1) / et0.min(axis=1)).max() < 1.1
