"""Rain that nobody told is planned both ways: as if none fell, and what would be otherwise."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import RecordPlan
from scheduler.control.schedule import needs_now
from scheduler.control.state import State, Turn
from scheduler.control.unknown_rain import unknown_rain
from scheduler.planning.plan import Reason
from scheduler.site.model import Site
from tests.support.driving import Driver
from tests.support.gardens import small_garden

DRIVER = Driver(small_garden())
TODAY = DRIVER.now.wall.astimezone(DRIVER.site.place.timezone).date()
YESTERDAY = TODAY - timedelta(days=1)


def asked(
    rain: dict[date, float | None], known: set[date], *, dry_mm: float = 20.0, site: Site | None = None
):  # type: ignore[no-untyped-def]
    """The reasons of a morning with root zones so dry and those days' rain as forecast or told."""
    days = tuple(DayWeather(d, 12.0, 24.0, mm) for d, mm in rain.items())
    zones = tuple(replace(z, depletion_mm=dry_mm) for z in DRIVER.state.zones_now)
    state: State = replace(
        DRIVER.state,
        site=site or DRIVER.site,
        weather=days,
        rain_known=frozenset(known),
        zones_now=zones,
        base_day=YESTERDAY - timedelta(days=1),
    )
    return unknown_rain(state, TODAY, needs_now(Turn(state, DRIVER.now)))


def test_known_rain_is_no_reason() -> None:
    assert asked({YESTERDAY: 3.0}, {YESTERDAY}) == ()
    assert asked({YESTERDAY: 0.0}, {YESTERDAY}) == ()


def test_rain_that_was_forecast_and_never_told_says_which_zones_it_would_have_spared() -> None:
    (reason,) = asked({YESTERDAY: 25.0}, set())
    assert isinstance(reason, Reason) and reason.code == "weather_estimated"
    assert f"{YESTERDAY:%A %d %B}" in reason.text and "none is counted on" in reason.text
    names = [z.name for z in DRIVER.site.zones]
    # More fell than anything lacks: no zone would be due.
    assert all(name in reason.text for name in names) and "would not be due" in reason.text
    assert dict(reason.figures) == {"days": 1.0, "forecast_mm": 25.0}


def test_a_little_rain_would_have_changed_nothing() -> None:
    (reason,) = asked({YESTERDAY: 0.5}, set(), dry_mm=60.0)
    assert "the same zones would be due" in reason.text


def test_rain_that_nobody_forecast_asks_for_a_word() -> None:
    (reason,) = asked({}, set())
    assert "fallinghead rained" in reason.text
    (dry,) = asked({YESTERDAY: 0.0}, set())
    assert "None was forecast" in dry.text


def test_a_us_garden_reads_inches() -> None:
    (reason,) = asked({YESTERDAY: 25.4}, set(), site=replace(DRIVER.site, units="us"))
    assert "1.00 in" in reason.text and "mm" not in reason.text


def test_the_days_plan_carries_the_reason() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(1.5 * 86_400.0, every_s=3600.0)  # no weather comes any more: the first day's rain stays open
    plan = [e.plan for e in driver.effects if isinstance(e, RecordPlan)][-1]
    assert plan.day > driver.start.astimezone(driver.site.place.timezone).date()
    assert "weather_estimated" in [r.code for r in plan.reasons]
