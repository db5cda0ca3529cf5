"""The weather that a plan reckons with: an ensemble, an aged forecast, the past of the place."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from scheduler.agronomy.weather import Ensemble, Et0Estimate, Outlook
from scheduler.control.events import LinkChanged, WeatherArrived
from scheduler.control.ledger import zones_after_today
from scheduler.control.schedule import OUTLOOK_AGE
from scheduler.control.state import Saved
from scheduler.planning.ahead import look_ahead
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.site.model import Roof
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden

SITE = replace(small_garden(), roof=Roof(20.0, 0.85, 0.5))
TODAY = START.date()
DAY = timedelta(days=1)
# Low enough that two weeks without rain are too long; rain on the roof makes it good.
LEVEL_M = 0.2


def driven(outlook: Outlook, past: PastWeather | None = None) -> Driver:
    """Dry soils an hour before the window, with this outlook."""
    driver = Driver(SITE, Saved(past=past))
    driver.node.level_m = LEVEL_M
    driver.feed(LinkChanged(True))
    driver.feed(WeatherArrived(outlook))
    driver.hear()
    driver.dry_out()
    driver.hear()
    return driver


def rationed(driver: Driver) -> bool:
    assert driver.state.plan is not None
    return any(r.code == "rationed" for r in driver.state.plan.reasons)


def figures(driver: Driver) -> dict[str, str]:
    """Of the rationing in force: the days on which the store runs short."""
    assert driver.state.plan is not None
    reason = next(r for r in driver.state.plan.reasons if r.code == "rationed")
    return {key: str(value) for key, value in reason.figures}


def plain(days: int = 9) -> Outlook:
    return Outlook(dry_days(TODAY - 14 * DAY, 14 + days), "test", START)


def members(rain_mm: float, days: int = 14) -> Ensemble:
    def table(value: float) -> tuple[tuple[float, ...], ...]:
        return ((value,) * days,) * 20

    return Ensemble(TODAY, table(rain_mm), table(14.0), table(34.0), "members", START)


def past_of(rain_mm: float) -> PastWeather:
    """Four years of the place, each day alike."""
    days = (replace(d, rain_mm=rain_mm) for d in dry_days(TODAY - 1461 * DAY, 1461))
    found = past_weather(days, SITE.place)
    assert found is not None
    return found


def test_the_members_of_an_ensemble_decide_whether_water_is_short() -> None:
    """The plain forecast is the same dry one; all members are wet, or all dry."""
    assert rationed(driven(replace(plain(), ensemble=members(0.0))))
    assert not rationed(driven(replace(plain(), ensemble=members(12.0))))


def test_past_years_of_the_place_reach_further_than_the_forecast() -> None:
    wet, dry = (driven(plain(2), past_of(mm)) for mm in (12.0, 0.0))
    assert "short_middle" in figures(dry) and "short_middle" not in figures(wet)
    assert figures(dry)["short_early"] < figures(wet)["short_early"]


def test_an_old_forecast_promises_no_rain_but_says_how_thirsty_days_are() -> None:
    """All-wet members of three days ago are believed no more; the widened ET0 still is."""
    old = replace(plain(), fetched_at=START - OUTLOOK_AGE - 24 * timedelta(hours=1), ensemble=members(12.0))
    wet_days = tuple(replace(d, rain_mm=30.0, rain_probability=1.0) for d in old.days if d.day >= TODAY)
    past_days = tuple(d for d in old.days if d.day < TODAY)
    estimates = tuple(Et0Estimate(d.day, 6.0, 4.0, 9.0, "old forecast") for d in wet_days)
    assert rationed(driven(replace(old, days=(*past_days, *wet_days), et0=estimates)))
    # Where nobody widened it, it is not used at all: the dry days that are over go on.
    assert rationed(driven(replace(old, days=(*past_days, *wet_days))))
    assert not rationed(driven(replace(plain(), days=(*past_days, *wet_days))))


def test_days_that_are_over_become_part_of_the_past() -> None:
    driver = driven(plain(), past_of(0.0).until(TODAY - 5 * DAY))
    past = driver.state.past
    assert past is not None and past.first + timedelta(days=len(past.et0_mm)) == TODAY
    assert np.isfinite(past.et0_mm).all() and np.isfinite(past.rain_mm).all()


@pytest.mark.parametrize("years", [0, 4])
def test_the_plan_says_the_days_left_that_the_weeks_ahead_say(years: int) -> None:
    """From the same level, soils, forecast and past; without past years as with them."""
    before = set(dry_days(TODAY - 1461 * DAY, 1461)) if years else set()
    driver = driven(plain(3), past_of(0.0) if years else None)
    state = driver.state
    assert state.plan is not None and state.past is not None
    began = state.past.first
    known = {d.day: d for d in before} | {d.day: d for d in state.weather if d.day < TODAY}
    found = look_ahead(
        state.model,
        level_m=LEVEL_M,
        depletion_mm={z.plant: z.depletion_mm for z in zones_after_today(state, TODAY).values()},
        first=TODAY,
        forecast=plain(3),
        past=tuple(replace(d, rain_mm=0.0) if d in before else d for d in known.values() if d.day >= began),
    )
    store = state.plan.store
    assert found is not None and found.days_left[0] is not None
    assert (store.days_left_early, store.days_left_middle, store.days_left_late) == found.days_left
    # Rationing's day is the same one.
    assert figures(driver)["short_early"] == str(TODAY + found.days_left[0] * DAY)
