"""When to drain, by the forecast: frost named with its night, no frost only as far as the forecast goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.report.frost import frost_ahead, frost_words
from scheduler.site.examples import example_site

SITE = example_site("five-drums")
NOW = datetime(2012, 11, 1, 18, 0, tzinfo=UTC)
TODAY = date(2012, 11, 1)


def outlook(*tmin_c: float | None, age: timedelta = timedelta(hours=2)) -> Outlook:
    """From yesterday on."""
    first = TODAY - timedelta(days=1)
    days = tuple(DayWeather(first + timedelta(days=n), t, 12.0) for n, t in enumerate(tmin_c))
    return Outlook(days, "test", NOW - age)


def words(found: Outlook | None) -> str:
    return " ".join(frost_words(SITE, frost_ahead(SITE, found, NOW), TODAY))


def test_the_first_night_of_frost_and_the_coldest_are_named() -> None:
    frost = frost_ahead(SITE, outlook(-9.0, 4.0, 2.0, -0.5, -3.0), NOW)
    assert frost is not None
    # Yesterday's frost is over.
    assert (frost.frost_on, frost.coldest_on, frost.coldest_c) == (date(2012, 11, 3), date(2012, 11, 4), -3.0)
    said = words(outlook(-9.0, 4.0, 2.0, -0.5, -3.0))
    assert "Frost is forecast for Saturday 3 November; the coldest is Sunday 4 November with -3" in said
    assert "Drain before that: empty the barrels" in said


def test_without_frost_it_is_said_how_far_the_forecast_goes() -> None:
    said = words(outlook(8.0, 4.0, 2.0, 6.0))
    assert "No frost is forecast through Saturday 3 November; the coldest is Friday 2 November with 2" in said


def test_water_freezes_at_nothing_degrees() -> None:
    frost = frost_ahead(SITE, outlook(3.0, 0.0), NOW)
    assert frost is not None and frost.frost_on == TODAY


def test_the_frost_of_this_morning_is_over_in_the_afternoon() -> None:
    found = outlook(3.0, -2.0, 4.0)
    # 11:00 and 13:00 at the garden.
    assert frost_ahead(SITE, found, NOW) is not None
    later = frost_ahead(SITE, found, NOW + timedelta(hours=2))
    assert later is not None and (later.frost_on, later.coldest_on) == (None, date(2012, 11, 2))


def test_without_a_fresh_forecast_nobody_knows() -> None:
    for found in (None, outlook(8.0, 4.0, age=timedelta(days=3)), outlook(8.0, None)):
        assert frost_ahead(SITE, found, NOW) is None
        assert "whether frost is coming is not known" in words(found)


def test_a_garden_in_us_units_is_told_fahrenheit() -> None:
    site = replace(SITE, units="us")
    said = " ".join(frost_words(site, frost_ahead(site, outlook(8.0, -5.0), NOW), TODAY))
    assert "23 °F" in said  # -5 x 9/5 + 32
