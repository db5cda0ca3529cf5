"""The plain timer beside a rehearsal is set as the sentence says: once, in spring, and well."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.garden import garden_model
from scheduler.rehearsal.timer import FixedTimer, set_timer
from scheduler.site.examples import example_site
from scheduler.site.model import Site

SITE = example_site("five-drums")
MODEL = garden_model(SITE)
FIRST = date(2012, 7, 1)
COOL = (6.0, 14.0)
HOT = (14.0, 32.0)


def days(begins: date, count: int, range_c: tuple[float, float]) -> list[DayWeather]:
    return [DayWeather(begins + timedelta(days=n), *range_c, 0.0) for n in range(count)]


def timer(*parts: list[DayWeather], site: Site = SITE, first: date = FIRST) -> FixedTimer:
    return set_timer(site, MODEL, [d for part in parts for d in part], first)


SUMMER = days(FIRST, 30, HOT)


def test_the_timer_is_set_for_spring_and_not_for_the_summer_that_follows() -> None:
    spring = timer(days(date(2012, 6, 7), 14, COOL), SUMMER)
    warm_spring = timer(days(date(2012, 6, 7), 14, HOT), SUMMER)
    assert all(0.0 < spring.run_s[z] < warm_spring.run_s[z] for z in spring.run_s)
    assert timer(days(date(2012, 6, 7), 14, COOL), days(FIRST, 30, (20.0, 40.0))) == spring


def test_days_outside_of_springs_last_fortnight_do_not_count() -> None:
    spring = days(date(2012, 6, 7), 14, COOL)
    assert timer(spring, days(date(2012, 5, 1), 37, HOT), days(date(2012, 6, 21), 40, HOT)) == timer(
        spring, SUMMER
    )


def test_with_too_little_of_spring_known_the_first_fortnight_stands_for_it() -> None:
    assert timer(days(date(2012, 6, 7), 6, COOL), SUMMER) == timer(SUMMER)


def test_a_season_that_begins_before_spring_is_over_knows_the_spring_before() -> None:
    first = date(2012, 4, 1)
    ahead = days(first, 60, HOT)
    before = days(date(2011, 6, 7), 14, COOL)
    assert timer(ahead, first=first).run_s != timer(before, ahead, first=first).run_s


def test_south_of_the_equator_spring_is_in_december() -> None:
    south = replace(SITE, place=replace(SITE.place, latitude_deg=-33.0))
    first = date(2012, 12, 26)
    season = days(first, 14, HOT)
    with_spring = timer(days(date(2012, 12, 7), 14, COOL), season, site=south, first=first)
    assert with_spring.run_s != timer(season, site=south, first=first).run_s


def test_a_timer_cannot_be_set_for_weather_without_temperatures() -> None:
    with pytest.raises(ValueError, match="cannot be set"):
        timer([DayWeather(FIRST, rain_mm=0.0)])
