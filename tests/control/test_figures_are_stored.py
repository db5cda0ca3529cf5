"""A plan whose past rain nobody tells, not even a forecast, goes into the store without a warning."""

from __future__ import annotations

from datetime import timedelta

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import RecordPlan
from scheduler.control.events import LinkChanged, WeatherArrived
from scheduler.store.store import Store
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def test_a_plan_without_any_word_of_past_rain_is_stored() -> None:
    driver = Driver(small_garden())
    driver.feed(LinkChanged(True))
    day = driver.now.wall.date()
    dry = tuple(DayWeather(day + timedelta(days=n)) for n in range(-6, 8))
    driver.feed(WeatherArrived(Outlook(dry, "test", driver.now.wall)))
    driver.hear()
    driver.wait(26 * 3600.0)
    plans = [e for e in driver.effects if isinstance(e, RecordPlan)]
    told = [r for p in plans for r in p.plan.reasons if r.code == "weather_estimated"]
    assert told and all(type(value) in (float, str) for r in told for _, value in r.figures)
    with Store("sqlite://", driver.site.id) as store:
        store.write(plans)
