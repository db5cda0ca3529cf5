"""Days the store lasts, by hand arithmetic."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.planning.garden import garden_model
from scheduler.planning.store_days import RainDay, rain_ahead, store_outlook
from scheduler.site.model import Roof
from tests.support.gardens import small_garden

MODEL = garden_model(replace(small_garden(), roof=Roof(10.0, 0.8, 0.5)))
FLOOR_L = MODEL.stage.volume_l(MODEL.lowest_floor_m)


def level_with(usable_l: float) -> float:
    return MODEL.stage.level_m(FLOOR_L + usable_l)


def test_without_rain_the_days_are_store_over_use() -> None:
    out = store_outlook(MODEL, level_with(100.0), [9.9])
    assert out.usable_l == pytest.approx(100.0, abs=0.1)
    assert out.total_l == pytest.approx(FLOOR_L + 100.0, abs=0.1)
    # 100 / (9.9 x 1.15) = 8.8; 100 / 9.9 = 10.1; 100 / (9.9 x 0.85) = 11.9
    assert (out.days_left_early, out.days_left_middle, out.days_left_late) == (8, 10, 11)


def test_a_leak_is_one_more_use_that_goes_on_below_the_floor() -> None:
    # By hand: 9.9 L and 5 L a day from 100 L: after six days 10.6 L are left, after the seventh nothing.
    assert store_outlook(MODEL, level_with(100.0), [9.9], leak_l=5.0).days_left_middle == 7
    # All is given on the first day; by the fifth the leak has taken 20 L more, from below the floor. 64 L of
    # rain make that good first, so 44 L can be used. Where nothing is wanted nothing is short.
    rain = [RainDay(0.0, 1.0), RainDay(0.0, 1.0), RainDay(0.0, 1.0), RainDay(8.5, 1.0)]
    for fifth, left in ((43.0, None), (45.0, 4)):
        use = [9.99, 0.0, 0.0, 0.0, fifth, 0.0]
        assert store_outlook(MODEL, level_with(10.0), use, rain, leak_l=5.0).days_left_middle == left
    # It is carried also where the level is unknown.
    assert store_outlook(MODEL, None, [9.9], leak_l=5.0).leak_l == 5.0


def test_forecast_rain_counts_by_its_probability_and_never_for_the_early_day() -> None:
    # 8.5 mm less 0.5 mm first flush on 10 m2 at 0.8: 64 L.
    out = store_outlook(MODEL, level_with(50.0), [10.0], [RainDay(8.5, 0.5)])
    assert out.days_left_early == 4  # 50 / 11.5
    assert out.days_left_middle == 8  # (50 + 32) / 10
    assert out.days_left_late == 13  # (50 + 64) / 8.5


def test_unknown_rain_adds_nothing() -> None:
    dry = store_outlook(MODEL, level_with(50.0), [10.0])
    unknown = store_outlook(MODEL, level_with(50.0), [10.0], [RainDay(None, None), RainDay(None, 1.0)])
    assert unknown == dry


def test_rain_that_finds_the_barrels_full_is_lost() -> None:
    full_l = MODEL.stage.full_l - FLOOR_L
    out = store_outlook(MODEL, MODEL.stage.brim_level_m, [10.0], [RainDay(100.0, 1.0)])
    assert out.days_left_late is not None
    # The first day makes 8.5 L of room, and no more than that comes in.
    assert out.days_left_late <= int((full_l + 8.5) / 8.5)


def test_beyond_the_horizon_is_none_and_so_is_unknown() -> None:
    assert store_outlook(MODEL, level_with(100.0), [0.1]).days_left_early is None
    assert store_outlook(MODEL, level_with(100.0), []).days_left_middle is None
    unknown = store_outlook(MODEL, None, [5.0])
    assert (unknown.usable_l, unknown.total_l, unknown.days_left_late) == (None, None, None)


def test_below_the_floor_nothing_is_usable() -> None:
    out = store_outlook(MODEL, 0.5 * MODEL.lowest_floor_m, [5.0])
    assert (out.usable_l, out.days_left_early) == (0.0, 0)


def test_a_gap_in_the_forecast_ends_it() -> None:
    day = date(2012, 7, 20)
    days = tuple(DayWeather(day + timedelta(days=n), rain_mm=float(n)) for n in (0, 1, 2, 4))
    ahead = rain_ahead(Outlook(days, "test", datetime(2012, 7, 20, tzinfo=UTC)), day)
    assert [r.rain_mm for r in ahead] == [1.0, 2.0]
