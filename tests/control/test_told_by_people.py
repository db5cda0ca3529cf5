"""What people tell: water moved by hand, rain of their own gauge, zones to hold; and the daily balance."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import (
    RaiseAlert,
    RecordAnswer,
    RecordHandWater,
    RecordHold,
    RecordPlan,
    RecordRain,
    RecordWaterDay,
    SendOrder,
)
from scheduler.control.events import WeatherArrived
from scheduler.control.leaks import wet_between
from scheduler.control.ledger import weather_of
from scheduler.control.schedule import needs_now
from scheduler.control.state import Saved, Turn, WaterDraw
from scheduler.control.waterbook import enter_by_hand, settle, unexplained
from scheduler.control.working_level import working_level_m
from scheduler.site.model import Roof
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden

DAY_S = 86_400.0


def made() -> Driver:
    driver = Driver(small_garden())
    driver.ready()
    return driver


def last(driver: Driver, kind: type) -> object:
    return next(e for e in reversed(driver.effects) if isinstance(e, kind))


def wants(driver: Driver, plant: str) -> float:
    return needs_now(Turn(driver.state, driver.now))[plant].wanted_l


def test_a_plan_from_a_level_that_a_person_measured_says_so() -> None:
    def level_source(driver: Driver) -> str:
        plan = last(driver, RecordPlan)
        assert isinstance(plan, RecordPlan)
        return next(s.source for s in plan.plan.sources if s.what == "level")

    driver = made()
    driver.wait(3600.0)
    driver.ask("rank", "sage", 1)
    assert level_source(driver) == f"{driver.site.sensor.kind if driver.site.sensor else ''} sensor"
    silent = Driver(small_garden())
    silent.node.level_m = None  # the node is heard, its sensor is not
    silent.ready()
    silent.ask("measured", None, 0.5)
    silent.ask("rank", "sage", 1)
    assert level_source(silent) == "measured by hand"


def test_water_given_by_can_lowers_what_the_plant_wants_by_as_much() -> None:
    driver = made()
    driver.dry_out()
    before = wants(driver, "sage")
    driver.ask("gave", "sage", 3.0)
    assert wants(driver, "sage") == pytest.approx(before - 3.0)
    record = last(driver, RecordHandWater)
    assert isinstance(record, RecordHandWater)
    assert (record.kind, record.plant, record.litres, record.who) == ("gave", "sage", 3.0, "gardener")


@pytest.mark.parametrize(
    ("kind", "subject", "amount", "said"),
    [
        ("gave", "rosemary", 3.0, "no plant called 'rosemary'"),
        ("gave", "sage", 0.0, "more than nothing"),
        ("gave", "sage", 200.0, "at the most"),
        ("took", None, 1e6, "at the most"),
        ("topped_up", None, None, "more than nothing"),
        ("rained", "2012-07-19", 5000.0, "Read 5000 mm of rain; a day brings between 0 and"),
        ("rained", "2012-07-19", 300.04, "Read 300.04 mm of rain; a day brings between 0 and 300 mm"),
        ("rained", "2012-07-19", None, "Read no amount; a day brings between 0 and"),
        ("rained", "yesterday", 5.0, "write it as"),
        ("rained", "2031-07-19", 5.0, "still to come"),
        ("hold", "lawn", 24.0, "no zone called 'lawn'"),
        ("hold", "bed", 1e5, "at most 120 days"),
    ],
)
def test_a_slip_is_refused_in_one_sentence_and_changes_nothing(
    kind: str, subject: str | None, amount: float | None, said: str
) -> None:
    driver = made()
    before = (driver.state.given_l, driver.state.book, driver.state.holds, driver.state.rain_typed)
    driver.ask(kind, subject, amount)
    answer = last(driver, RecordAnswer)
    assert isinstance(answer, RecordAnswer)
    assert not answer.done and said in answer.text
    assert (driver.state.given_l, driver.state.book, driver.state.holds, driver.state.rain_typed) == before


def test_a_held_zone_is_not_watered_until_its_time_is_over() -> None:
    driver = made()
    driver.dry_out()
    driver.ask("hold", "bed", 24.0)
    assert isinstance(last(driver, RecordHold), RecordHold)
    driver.wait(5 * 3600.0)
    plan = last(driver, RecordPlan)
    assert isinstance(plan, RecordPlan)
    assert [r.code for s in plan.plan.skipped if s.zone == "bed" for r in s.reasons] == ["held"]
    orders = [e.order for e in driver.effects if isinstance(e, SendOrder)]
    assert all(o.channel != 2 for o in orders)
    assert not plan.plan.runs or {r.zone for r in plan.plan.runs} == {"pots"}


def test_a_hold_of_no_hours_ends_an_earlier_one() -> None:
    driver = made()
    driver.ask("hold", None, 48.0)
    assert {h.zone for h in driver.state.holds if h.until > driver.now.wall} == {"pots", "bed"}
    driver.ask("hold", None, 0.0)
    assert not any(h.until > driver.now.wall for h in driver.state.holds)


def test_rain_of_the_gardens_own_gauge_counts_before_the_service() -> None:
    driver = made()
    driver.wait(1.5 * DAY_S, every_s=3600.0)
    fetch(driver)
    yesterday = driver.state.balanced_day
    assert yesterday is not None
    before = {z.plant: z.depletion_mm for z in driver.state.zones_now}
    driver.ask("rained", yesterday.isoformat(), 6.0)
    assert isinstance(last(driver, RecordRain), RecordRain)
    after = {z.plant: z.depletion_mm for z in driver.state.zones_now}
    assert after["sage"] == pytest.approx(max(0.0, before["sage"] - 6.0))
    driver.ask("rained", (yesterday - timedelta(days=20)).isoformat(), 6.0)
    answer = last(driver, RecordAnswer)
    assert isinstance(answer, RecordAnswer)
    assert not answer.done and "books" in answer.text


def test_what_was_told_by_mistake_is_taken_back_but_no_more_than_was_told() -> None:
    driver = made()
    driver.dry_out()
    before = wants(driver, "sage")
    driver.ask("gave", "sage", 3.0)
    driver.ask("gave", "sage", -3.0)
    assert wants(driver, "sage") == pytest.approx(before)
    driver.ask("took", None, 20.0)
    driver.ask("took", None, -30.0)
    answer = last(driver, RecordAnswer)
    assert isinstance(answer, RecordAnswer)
    assert not answer.done and "nothing is taken back" in answer.text
    assert driver.state.book.taken_l == 20.0


# --- the barrels' balance ----------------------------------------------------------------------------------


def days_of(driver: Driver) -> list[RecordWaterDay]:
    return [e for e in driver.effects if isinstance(e, RecordWaterDay)]


def fetch(driver: Driver, rain: dict[date, float] | None = None) -> None:
    today = driver.now.wall.astimezone(driver.site.place.timezone).date()
    days = tuple(
        replace(d, rain_mm=(rain or {}).get(d.day, 0.0)) for d in dry_days(today - timedelta(days=10), 16)
    )
    driver.feed(WeatherArrived(Outlook(days, "test", driver.now.wall)))


def quiet_days(driver: Driver, count: int, rain: dict[date, float] | None = None) -> None:
    """Days on which nothing is watered: every plant just soaked."""
    for _ in range(count):
        zones = tuple(replace(z, depletion_mm=0.0) for z in driver.state.zones_now)
        driver.state = replace(driver.state, zones_now=zones, base_zones=zones)
        driver.wait(DAY_S, every_s=1800.0)
        fetch(driver, rain)


def litres(driver: Driver, level_m: float) -> float:
    return driver.state.model.stage.volume_l(level_m)


def test_a_day_without_water_moved_closes_with_nothing_left_over() -> None:
    driver = made()
    quiet_days(driver, 3)
    whole = [d for d in days_of(driver) if d.rest_l is not None]
    assert whole
    assert all(d.rest_sd_l is not None and abs(d.rest_l or 0.0) < 2.0 * d.rest_sd_l for d in whole)


def test_six_cans_told_are_taken_and_untold_ones_stand_as_rest() -> None:
    for told in (True, False):
        driver = made()
        quiet_days(driver, 1)
        before_l = litres(driver, driver.node.level_m or 0.0)
        driver.wait(3600.0, every_s=1800.0)
        driver.node.level_m = driver.state.model.stage.level_m(before_l - 60.0)
        if told:
            driver.ask("took", None, 60.0)
        quiet_days(driver, 1)
        day = [d for d in days_of(driver) if d.rest_l is not None][-1]
        assert day.rest_l is not None
        if told:
            assert day.taken_l == 60.0
            assert abs(day.rest_l) < 10.0
        else:
            assert day.rest_l == pytest.approx(60.0, abs=10.0)
            assert unexplained((day,)).days == 1


def test_a_top_up_is_no_water_from_nowhere() -> None:
    driver = made()
    driver.node.level_m = 0.3
    quiet_days(driver, 1)
    driver.wait(3600.0, every_s=1800.0)
    driver.node.level_m = driver.state.model.stage.level_m(litres(driver, 0.3) + 80.0)
    driver.ask("topped_up", None, 80.0)
    quiet_days(driver, 1)
    day = [d for d in days_of(driver) if d.rest_l is not None][-1]
    assert day.added_l == 80.0 and day.rest_l is not None
    assert abs(day.rest_l) < 10.0


def test_a_day_whose_rain_is_not_known_yet_has_no_rest_and_gets_one_when_it_is() -> None:
    driver = Driver(replace(small_garden(), roof=Roof(10.0, 0.8, 0.5)))
    driver.ready()
    driver.node.level_m = 0.3
    quiet_days(driver, 1)
    zones = tuple(replace(z, depletion_mm=0.0) for z in driver.state.zones_now)
    driver.state = replace(driver.state, zones_now=zones, base_zones=zones)
    day = driver.state.book.day
    assert day is not None
    driver.wait(12 * 3600.0, every_s=1800.0)
    # Rain of 8 mm: 10 m2 x (8 - 0.5) mm x 0.8 = 60 L (plan area x depth x coefficient).
    driver.node.level_m = driver.state.model.stage.level_m(litres(driver, 0.3) + 60.0)
    driver.wait(12 * 3600.0, every_s=1800.0)
    unknown = [d for d in days_of(driver) if d.day == day][-1]
    assert unknown.caught_l is None and unknown.rest_l is None
    fetch(driver, {day: 8.0})
    known = [d for d in days_of(driver) if d.day == day][-1]
    assert known.caught_l == pytest.approx(60.0)
    assert known.rest_l is not None and abs(known.rest_l) < 10.0


def test_an_unknown_level_makes_an_unknown_day_not_a_dry_one() -> None:
    driver = made()
    quiet_days(driver, 1)
    driver.node.level_m = None
    driver.wait(2 * DAY_S, every_s=1800.0)
    fetch(driver)
    day = days_of(driver)[-1]
    assert day.end_l is None and day.rest_l is None


def test_weather_given_twice_records_a_settled_day_once() -> None:
    driver = made()
    quiet_days(driver, 2)
    count = len(days_of(driver))
    fetch(driver)
    fetch(driver)
    assert len(days_of(driver)) == count


def test_water_that_nobody_accounts_for_is_told_after_two_days_and_not_when_it_was_told() -> None:
    for told in (False, True):
        driver = made()
        quiet_days(driver, 1)
        for _ in range(3):
            driver.wait(3600.0, every_s=1800.0)
            driver.node.level_m = driver.state.model.stage.level_m(
                litres(driver, driver.node.level_m or 0.0) - 30.0
            )
            if told:
                driver.ask("took", None, 30.0)
            quiet_days(driver, 1)
        raised = [a.alert for a in driver.all(RaiseAlert) if a.alert.kind == "water_lost"]
        assert bool(raised) is not told
        if raised:
            assert "2 days in a row" in raised[0].text


# --- what a review found -----------------------------------------------------------------------------------


def sensorless(saved: Saved | None = None, start: datetime = START) -> Driver:
    driver = Driver(replace(small_garden(), sensor=None), saved, start=start)
    driver.node.level_m = None
    driver.ready()
    return driver


def working_l(driver: Driver) -> float:
    level_m = working_level_m(Turn(driver.state, driver.now))
    assert level_m is not None
    return litres(driver, level_m)


def test_cans_taken_are_subtracted_from_a_level_by_hand_also_after_a_restart() -> None:
    driver = sensorless()
    driver.ask("measured", None, 0.3)
    driver.mono_s += 60.0
    driver.ask("took", None, 50.0)
    before = working_l(driver)
    assert before == pytest.approx(litres(driver, 0.3) - 50.0, abs=5.0)
    saved = Saved(hand_level=(START, 0.3), draws=driver.state.draws)
    again = sensorless(saved, driver.now.wall)
    assert working_l(again) == pytest.approx(before, abs=1.0)


def test_a_can_after_a_run_does_not_stand_for_the_run() -> None:
    driver = sensorless()
    driver.ask("measured", None, 0.5)
    draws = (
        WaterDraw(driver.now.wall + timedelta(minutes=1), 17.0, by_run=True),
        WaterDraw(driver.now.wall + timedelta(minutes=9), 60.0, by_run=False),
    )
    track = replace(driver.state.track, unseen_m=0.02)
    driver.state = replace(driver.state, draws=draws, track=track)
    driver.mono_s += 1200.0
    # The run of 17 L is in the belief already; the cans are not.
    assert working_l(driver) == pytest.approx(litres(driver, 0.5) - 60.0, abs=6.0)


def test_rain_typed_for_today_is_not_watered_again() -> None:
    driver = made()
    driver.dry_out(depletion_mm=12.0)
    before = wants(driver, "sage")
    driver.ask("rained", driver.state.book.day.isoformat() if driver.state.book.day else "", 40.0)
    assert before > 0.0
    assert wants(driver, "sage") == 0.0


def test_rain_typed_for_yesterday_counts_after_a_restart_as_it_does_without_one() -> None:
    driver = made()
    driver.wait(3 * DAY_S, every_s=3600.0)
    fetch(driver)
    yesterday = driver.state.balanced_day
    assert yesterday is not None
    saved = Saved(
        root_zones=driver.state.zones_now,
        balanced_day=yesterday,
        base=(driver.state.base_day or yesterday, driver.state.base_zones),
        given_l=driver.state.given_l,
        weather=driver.state.weather,
    )
    again = Driver(driver.site, saved, start=driver.now.wall)
    for one in (driver, again):
        one.ask("rained", yesterday.isoformat(), 15.0)
    found = [{z.plant: z.depletion_mm for z in one.state.zones_now} for one in (driver, again)]
    assert found[1] == pytest.approx(found[0])


def test_rain_that_was_only_ever_forecast_is_not_taken_for_rain() -> None:
    driver = made()
    today = driver.state.book.day
    assert today is not None
    coming = tuple(replace(d, rain_mm=20.0) for d in dry_days(today, 3))
    driver.feed(WeatherArrived(Outlook(coming, "no past days", driver.now.wall)))
    driver.mono_s += 2 * DAY_S
    later = dry_days(today + timedelta(days=2), 3)  # a service that begins with now
    driver.feed(WeatherArrived(Outlook(later, "no past days", driver.now.wall)))
    assert weather_of(driver.state, today)[0].rain_mm is None
    driver.mono_s += 60.0
    whole = tuple(replace(d, rain_mm=3.0) for d in dry_days(today, 5))
    driver.feed(WeatherArrived(Outlook(whole, "with past days", driver.now.wall)))
    assert weather_of(driver.state, today)[0].rain_mm == 3.0


def test_days_whose_rain_nobody_tells_may_have_been_wet() -> None:
    driver = Driver(replace(small_garden(), roof=Roof(10.0, 0.8, 0.5)))
    turn = Turn(driver.state, driver.now)
    assert wet_between(turn, driver.now.wall - timedelta(days=1))
    driver.ready()
    assert not wet_between(Turn(driver.state, driver.now), driver.now.wall - timedelta(days=1))


def test_a_shower_on_full_barrels_raises_no_alarm_of_lost_water() -> None:
    driver = Driver(replace(small_garden(), roof=Roof(30.0, 0.8, 0.5)))
    driver.ready()
    full_m = driver.state.model.stage.brim_level_m
    driver.node.level_m = full_m
    day = driver.state.book.day
    assert day is not None
    full_l = litres(driver, full_m)
    # 3 mm fell on full barrels and ran over, then 60 L were drawn.
    closed = RecordWaterDay(day, full_l, full_l - 60.0, 60.0, 0.0, 0.0, None)
    known = frozenset({day})
    weather = tuple(replace(d, rain_mm=3.0) for d in dry_days(day, 1))
    driver.state = replace(driver.state, water_days=(closed,), rain_known=known, weather=weather)
    turn = Turn(driver.state, driver.now)
    settle(turn)
    (settled,) = turn.state.water_days
    assert settled.rest_l is not None and settled.rest_sd_l is not None
    assert settled.rest_l < 3.0 * settled.rest_sd_l


@pytest.mark.parametrize(("end_l", "leaked_l"), [(0.5, 10.0), (0.0, 10.5), (200.0, 40.0)])
def test_empty_barrels_leak_nothing_and_no_water_came_into_them_unknown(
    end_l: float, leaked_l: float
) -> None:
    """A known leak of 40 L a day: it takes what is there, the rest of its litres went nowhere."""
    driver = made()
    day = driver.now.wall.astimezone(driver.site.place.timezone).date()
    closed = RecordWaterDay(day, end_l + leaked_l, end_l, 0.0, 0.0, 0.0, 40.0)
    driver.state = replace(
        driver.state, water_days=(closed,), rain_known=frozenset({day}), weather=tuple(dry_days(day, 1))
    )
    turn = Turn(driver.state, driver.now)
    settle(turn)
    settle(turn)
    (settled,) = turn.state.water_days
    assert settled.leaked_l == pytest.approx(leaked_l)
    assert settled.rest_l == pytest.approx(0.0, abs=1e-9)


def test_water_told_later_of_barrels_that_stood_empty_leaked_as_any_other() -> None:
    """At first 60 L came from nowhere and nothing can have leaked; then 100 L are told: 40 L leaked."""
    driver = made()
    day = driver.now.wall.astimezone(driver.site.place.timezone).date() - timedelta(days=1)
    closed = RecordWaterDay(day, 0.0, 60.0, 0.0, 0.0, 0.0, 40.0)
    weather = tuple(dry_days(day, 1))
    driver.state = replace(driver.state, water_days=(closed,), rain_known=frozenset({day}), weather=weather)
    turn = Turn(driver.state, driver.now)
    settle(turn)
    (first,) = turn.state.water_days
    assert (first.leaked_l, first.rest_l) == (0.0, -60.0)
    enter_by_hand(turn, day, taken_l=0.0, added_l=100.0)
    (told,) = turn.state.water_days
    assert told.leaked_l == pytest.approx(40.0)
    assert told.rest_l == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("told", "minutes"), [(True, 0), (True, 4), (True, 9), (False, 9)])
def test_a_level_measured_just_after_a_top_up_is_not_held_against_readings_from_before_it(
    told: bool, minutes: int
) -> None:
    """The sensor is right: it is not to be corrected by what was poured in. Where that is told it is known at
    once; else as soon as one reading has jumped."""
    driver = made()
    driver.wait(3600.0, every_s=300.0)
    stage, level_m = driver.state.model.stage, driver.node.level_m
    assert level_m is not None
    driver.node.level_m = stage.level_m(stage.volume_l(level_m) + 40.0)
    if told:
        driver.ask("topped_up", None, 40.0)
    driver.wait(60.0 * minutes, every_s=300.0)
    driver.ask("measured", None, driver.node.level_m)
    assert driver.state.track.offset_m == 0.0
    driver.wait(3600.0, every_s=300.0)
    assert driver.state.belief.known
    assert driver.state.belief.level_m == pytest.approx(driver.node.level_m, abs=0.005)
    # Later there is something to compare with.
    driver.ask("measured", None, driver.node.level_m + 0.02)
    assert driver.state.track.offset_m == pytest.approx(0.02, abs=0.003)


def test_a_level_measured_in_a_cloudburst_is_not_held_against_readings_from_before_it() -> None:
    """15 L are 2 mm of rain on 10 m2; the first reading that has risen is not believed yet."""
    driver = Driver(replace(small_garden(), roof=Roof(10.0, 0.8, 0.0)))
    driver.ready()
    driver.wait(3600.0, every_s=300.0)
    stage, level_m = driver.state.model.stage, driver.node.level_m
    assert level_m is not None
    driver.node.level_m = stage.level_m(stage.volume_l(level_m) + 15.0)
    driver.wait(300.0, every_s=300.0)
    assert driver.state.track.pending and not driver.state.track.faults
    driver.ask("measured", None, driver.node.level_m)
    assert driver.state.track.offset_m == 0.0


def test_cans_told_after_midnight_for_yesterday_are_entered_on_yesterday() -> None:
    driver = made()
    quiet_days(driver, 2)
    closed = driver.state.water_days[-1]
    turn = Turn(driver.state, driver.now)
    enter_by_hand(turn, closed.day, taken_l=40.0, added_l=0.0)
    assert turn.state.water_days[-1].taken_l == closed.taken_l + 40.0
    assert [e.taken_l for e in turn.effects if isinstance(e, RecordWaterDay)] == [closed.taken_l + 40.0]


def test_a_top_up_that_no_sensor_sees_asks_for_a_measure() -> None:
    driver = made()
    driver.wait(3600.0, every_s=600.0)
    driver.ask("topped_up", None, 20.0)
    seen = last(driver, RecordAnswer)
    assert isinstance(seen, RecordAnswer) and seen.text.endswith("noted as topped up.")
    driver.wait(3 * 3600.0, every_s=600.0, speaking=False)
    driver.ask("measured", None, 0.3)
    driver.ask("topped_up", None, 20.0)
    unseen = last(driver, RecordAnswer)
    assert isinstance(unseen, RecordAnswer) and unseen.done
    assert "the level is still that of the last measure" in unseen.text
    assert driver.state.belief.level_m == pytest.approx(0.3)


def test_two_days_in_the_wrong_order_are_refused_by_what_was_typed() -> None:
    driver = made()
    driver.ask("winter", f"{driver.now.wall.date()}/2011-10-01", None)
    answer = last(driver, RecordAnswer)
    assert isinstance(answer, RecordAnswer) and not answer.done
    assert answer.text.startswith("Read 2011-10-01, but the first day is")


def test_two_measures_by_hand_do_not_correct_a_sensor_that_is_not_heard() -> None:
    driver = made()
    driver.wait(3 * 3600.0, every_s=600.0, speaking=False)
    for level_m in (0.3, 0.42):
        driver.ask("measured", None, level_m)
        answer = last(driver, RecordAnswer)
        assert isinstance(answer, RecordAnswer)
        assert "no fresh reading of the sensor" in answer.text and "the sensor said" not in answer.text
        assert driver.state.track.offset_m == 0.0
        assert driver.state.belief.level_m == pytest.approx(level_m)
    driver.ask("winter", f"{driver.now.wall.date()}/..")
    drained = last(driver, RecordAnswer)
    assert isinstance(drained, RecordAnswer) and drained.done
    assert "But the last measure by hand says 42" in drained.text
