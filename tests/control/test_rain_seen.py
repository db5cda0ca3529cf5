"""Rain of a day that is over: who is trusted before whom, and what the barrels' rise says of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import RecordDay, RecordRain, RecordWaterDay
from scheduler.control.events import RainMeasured, WeatherArrived
from scheduler.control.ledger import weather_of
from scheduler.control.rain import MOST_FACTOR, believed_rain, seen_rain, told_mm
from scheduler.control.state import Saved, State
from scheduler.site.model import Roof
from scheduler.store.codec import from_json, to_json
from tests.support.driving import Driver
from tests.support.gardens import dry_days, small_garden

DAY = date(2012, 7, 25)
DAY_S = 86_400.0


def state(
    roof: Roof | None,
    day: RecordWaterDay,
    *,
    told: float | None = None,
    own: float | None = None,
) -> State:
    driver = Driver(replace(small_garden(), roof=roof))
    return replace(
        driver.state,
        water_days=(day,),
        weather=(DayWeather(DAY, 12.0, 24.0, told),),
        rain_known=frozenset({DAY} if told is not None else ()),
        rain_typed=((DAY, own),) if own is not None else (),
    )


def water_day(
    rise_l: float | None, *, start_l: float = 40.0, added_l: float = 0.0, drawn_l: float = 0.0
) -> RecordWaterDay:
    end_l = start_l + rise_l if rise_l is not None else None
    return RecordWaterDay(DAY, start_l, end_l, drawn_l, 0.0, added_l, None)


def test_a_rise_is_the_rain_that_the_yield_formula_says() -> None:
    # V = A P C (Texas Manual on Rainwater Harvesting, 2005; figures worked out from the formula):
    # 80 m2 x 60 mm x 0.90 = 4320 L, here of a hundredth of the roof.
    found = seen_rain(state(Roof(0.8, 0.9, 0.0), water_day(43.2)), water_day(43.2))
    assert found is not None and found.rain_mm == pytest.approx(60.0)
    # The first flush came too, and never reached the barrels.
    flush = seen_rain(state(Roof(0.8, 0.9, 0.5), water_day(43.2)), water_day(43.2))
    assert flush is not None and flush.rain_mm == pytest.approx(60.5)
    assert flush.low_mm < flush.rain_mm < flush.high_mm


def test_a_day_corrected_before_that_fits_the_barrels_now_is_the_service_s_own_again() -> None:
    day = water_day(24.0)  # 24 L of 10 m2 x 0.8 are 3 mm, and 0.5 mm of first flush
    before = DayWeather(DAY, 12.0, 24.0, 9.0, rain_by="corrected by the roof's catch", rain_told_mm=3.5)
    now = replace(state(Roof(10.0, 0.8, 0.5), day, told=3.5), weather=(before,))
    weather, _et0 = weather_of(now, DAY)
    assert (weather.rain_mm, weather.rain_by, weather.rain_told_mm) == (3.5, "", None)


def test_water_moved_by_hand_or_valve_is_no_rain() -> None:
    roof = Roof(10.0, 0.8, 0.5)
    added = water_day(40.0, added_l=40.0)
    drawn = water_day(20.0, drawn_l=20.0)
    nothing = seen_rain(state(roof, added), added)
    assert nothing is not None and (nothing.rain_mm, nothing.low_mm) == (0.0, 0.0)
    both = seen_rain(state(roof, drawn), drawn)
    assert both is not None and both.rain_mm == pytest.approx(0.5 + 40.0 / 8.0)


def test_a_leak_brings_no_rain_into_barrels_that_are_empty() -> None:
    """Empty barrels lose nothing: what the leak takes of full ones did not run in by the roof."""
    roof, leak_l = Roof(10.0, 0.8, 0.5), 40.0
    empty = replace(water_day(0.0, start_l=0.5), leak_l=leak_l)
    emptied = replace(water_day(-10.0, start_l=10.5), leak_l=leak_l)
    refilled = replace(water_day(30.0, start_l=0.5), leak_l=leak_l)
    for day, rain_mm in ((empty, 0.0), (emptied, 0.0), (refilled, 0.5 + 30.0 / 8.0)):
        found = seen_rain(state(roof, day), day)
        assert found is not None and found.rain_mm == pytest.approx(rain_mm)
    assert believed_rain(state(roof, empty), DAY).rain_mm is None
    # Nor do they disprove rain that the leak may have let go as it came: of 40 L, here 28 L or 20 L.
    for day, told in ((empty, 0.5 + 28.0 / 8.0), (refilled, 0.5 + 50.0 / 8.0)):
        assert believed_rain(state(roof, day, told=told), DAY).rain_mm == pytest.approx(told)
    # Of barrels that hold water all day it took its litres, and as much came as they lost less.
    held = replace(water_day(0.0, start_l=200.0), leak_l=leak_l)
    found = seen_rain(state(roof, held), held)
    assert found is not None and found.rain_mm == pytest.approx(0.5 + 40.0 / 8.0)


def test_without_a_roof_or_a_level_nothing_is_seen() -> None:
    assert seen_rain(state(None, water_day(40.0)), water_day(40.0)) is None
    assert seen_rain(state(Roof(10.0, 0.8, 0.5), water_day(None)), water_day(None)) is None


def test_full_barrels_tell_only_the_least_that_came() -> None:
    roof = Roof(10.0, 0.8, 0.5)
    site = state(roof, water_day(0.0))
    full = site.model.stage.full_l
    day = water_day(40.0, start_l=full - 40.0)
    found = seen_rain(state(roof, day), day)
    assert found is not None and math.isinf(found.high_mm) and found.low_mm > 0.0
    assert believed_rain(state(roof, day, told=20.0), DAY).rain_mm == 20.0  # more ran over unseen
    raised = believed_rain(state(roof, day, told=2.0), DAY)
    assert raised.rain_mm == pytest.approx(found.low_mm) and "roof" in raised.source


def test_typed_or_gauged_rain_goes_before_the_barrels_and_these_before_the_service() -> None:
    roof, day = Roof(10.0, 0.8, 0.5), water_day(40.0)  # 5.5 mm seen
    assert believed_rain(state(roof, day, told=2.5, own=9.0), DAY).rain_mm == 9.0
    corrected = believed_rain(state(roof, day, told=2.5), DAY)
    assert corrected.rain_mm == pytest.approx(5.5) and "corrected" in corrected.source
    # Within what the rise leaves open the service stands: nothing is moved for nothing.
    assert believed_rain(state(roof, day, told=6.0), DAY) == replace(corrected, rain_mm=6.0, source="told")


@pytest.mark.parametrize("told", [0.0, 1.0, 3.0, 30.0])
@pytest.mark.parametrize("rise_l", [0.0, 8.0, 40.0, 60.0])
def test_a_service_is_moved_within_limits_and_never_out_of_a_dry_day(told: float, rise_l: float) -> None:
    found = believed_rain(state(Roof(10.0, 0.8, 0.5), water_day(rise_l), told=told), DAY).rain_mm
    assert found is not None
    # A gutter full of leaves takes not all of the rain away; water added untold makes no rain.
    assert told / MOST_FACTOR - 1e-9 <= found <= told * MOST_FACTOR + 1e-9


def test_unknown_rain_stays_unknown_unless_the_barrels_rose_beyond_doubt() -> None:
    roof = Roof(10.0, 0.8, 0.5)
    assert believed_rain(state(roof, water_day(0.0)), DAY).rain_mm is None
    rose = water_day(40.0)
    seen = seen_rain(state(roof, rose), rose)
    found = believed_rain(state(roof, rose), DAY)
    assert seen is not None and found.rain_mm == seen.low_mm < seen.rain_mm
    assert "at the least" in found.source


def missed_shower() -> tuple[Driver, date]:
    """A garden over three days, and the day of which the service tells 9 mm that no barrel saw."""
    driver = Driver(replace(small_garden(), roof=Roof(10.0, 0.8, 0.5)))
    driver.ready()
    zones = tuple(replace(z, depletion_mm=12.0) for z in driver.state.zones_now)
    driver.state = replace(driver.state, zones_now=zones, base_zones=zones, stopped_by="the test")
    today = driver.now.wall.astimezone(driver.site.place.timezone).date()
    wet = today + timedelta(days=1)
    for _ in range(3):
        driver.wait(DAY_S, every_s=1800.0)
        at = driver.now.wall
        now = at.astimezone(driver.site.place.timezone).date()
        days = dry_days(now - timedelta(days=10), 16)
        told = tuple(replace(d, rain_mm=9.0 if d.day == wet else 0.0) for d in days)
        driver.feed(WeatherArrived(Outlook(told, "test", at)))
    return driver, wet


def test_a_shower_that_missed_the_garden_is_not_counted_and_still_stands_in_the_book() -> None:
    driver, wet = missed_shower()
    record = [e for e in driver.effects if isinstance(e, RecordDay) and e.weather.day == wet][-1]
    assert record.weather.rain_mm == pytest.approx(9.0 / MOST_FACTOR)
    book = [e for e in driver.effects if isinstance(e, RecordWaterDay) and e.day == wet][-1]
    assert book.caught_l == pytest.approx(10.0 * 0.8 * (9.0 - 0.5))  # as told: what does not fit is to show
    assert book.rest_l is not None and book.rest_l > 50.0


@pytest.mark.parametrize("balance_kept", [True, False])
def test_a_restart_without_a_network_corrects_no_day_a_second_time(balance_kept: bool) -> None:
    """Told and believed rain are both on record; the balance of the barrels may be gone by then."""
    before, wet = missed_shower()
    days = {e.weather.day: from_json(DayWeather, to_json(e.weather)) for e in before.all(RecordDay)}
    state = before.state
    assert state.base_day is not None
    saved = Saved(
        root_zones=state.zones_now,
        balanced_day=state.balanced_day,
        base=(state.base_day, state.base_zones),
        weather=tuple(days.values()),
        water_days=state.water_days if balance_kept else (),
        stopped_by="the test",
    )
    after = Driver(before.site, saved, start=before.now.wall)
    assert believed_rain(after.state, wet) == believed_rain(state, wet)
    assert believed_rain(after.state, wet).rain_mm == pytest.approx(9.0 / MOST_FACTOR)
    assert told_mm(after.state, wet) == told_mm(state, wet) == 9.0
    after.wait(1.2 * DAY_S, every_s=3600.0)
    again = [e.weather for e in after.all(RecordDay) if e.weather.day == wet]
    assert all(w == days[wet] for w in again)
    assert {z.plant: z.depletion_mm for z in after.state.base_zones} == pytest.approx(
        {z.plant: z.depletion_mm for z in state.base_zones}
    )


def test_a_gauges_day_is_kept_and_a_persons_word_goes_before_it() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.wait(1.5 * DAY_S, every_s=3600.0)
    yesterday = driver.state.balanced_day
    assert yesterday is not None
    driver.feed(RainMeasured(yesterday, 4.0))
    kept = [e for e in driver.effects if isinstance(e, RecordRain)]
    assert [(r.day, r.rain_mm, r.who) for r in kept] == [(yesterday, 4.0, "rain gauge")]
    assert believed_rain(driver.state, yesterday).rain_mm == 4.0
    driver.ask("rained", yesterday.isoformat(), 7.0)
    driver.feed(RainMeasured(yesterday, 5.0))
    assert believed_rain(driver.state, yesterday).rain_mm == 7.0
    assert len([e for e in driver.effects if isinstance(e, RecordRain)]) == 2
    driver.feed(RainMeasured(yesterday, 900.0))
    driver.feed(RainMeasured(yesterday - timedelta(days=30), 5.0))
    assert len([e for e in driver.effects if isinstance(e, RecordRain)]) == 2
