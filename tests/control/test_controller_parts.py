"""The controller's own parts: what a start restores, whose weather is newer, when to fetch, what a tested
garden keeps, and how long to sleep.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from scheduler.agronomy.need import full_root_zone
from scheduler.agronomy.weather import Borrowed, DayWeather, Outlook
from scheduler.control import controller, events
from scheduler.control.alarms import AlarmMemory
from scheduler.control.controller import Saved, begin
from scheduler.control.effects import (
    FetchWeather,
    Intent,
    Note,
    RecordChoice,
    RecordHold,
    RecordWaterDay,
    SendAsk,
    SendClose,
    WakeAt,
)
from scheduler.control.events import (
    GardenTested,
    LinkChanged,
    RainMeasured,
    Tick,
    WeatherArrived,
    WeatherFailed,
)
from scheduler.control.orders import Order
from scheduler.control.state import OpenIntent, Proof, State, Turn, WaterBook, WaterDraw
from scheduler.planning.garden import garden_model
from scheduler.planning.past_years import PastWeather
from scheduler.planning.plan import Plan
from scheduler.sensing.flow import FlowFactor
from scheduler.sensing.leak import Leak
from scheduler.sensing.rest import RestLevel
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden

TODAY = date(2012, 7, 20)  # 04:00 in the garden
DAY = timedelta(days=1)
SITE = small_garden()
MODEL = garden_model(SITE)
INTENT = Intent(Order("shed", "s", 1, "o-1", 1, 60_000, 10**9), "pots", START, 0.5, (("tomato", 1.0),), 1.0)


def started(saved: Saved | None = None, **now: Any) -> tuple[State, list[Any]]:
    driver = Driver(SITE)
    state, effects = begin(SITE, saved or Saved(), replace(driver.now, **now), MODEL)
    return state, list(effects)


def woken(state: State, driver: Driver) -> float:
    turn = Turn(state, driver.now)
    controller._wake(turn)
    (wake,) = (e for e in turn.effects if isinstance(e, WakeAt))
    return wake.in_s


# --- the start


def test_a_start_restores_what_was_learned_and_takes_the_rest_as_the_site_file_has_it() -> None:
    learned = FlowFactor(0.7, 0.05, START)
    state, _ = started(Saved(flow_factors=(("bed", learned),), level_offset_m=-0.03))
    assert state.flow.factor("bed").value == pytest.approx(0.7) and state.flow.factor("pots").value == 1.0
    assert state.track.offset_m == -0.03 and state.model is MODEL
    assert started()[0].track.offset_m == 0.0


@pytest.mark.parametrize(("trust", "since"), [("synced", START), ("stale", START), ("unknown", None)])
def test_of_a_fresh_flow_the_age_counts_from_a_known_clock_only(trust: str, since: object) -> None:
    assert started(trust=trust)[0].flow.factor("pots").updated == since


def test_a_level_measured_by_hand_counts_where_there_is_no_sensor() -> None:
    saved = Saved(hand_level=(START - timedelta(hours=1), 0.4))
    assert started(saved)[0].track.recent == ()
    without = replace(SITE, sensor=None)
    state, _ = begin(without, saved, Driver(SITE).now, garden_model(without))
    assert [(p.level_m, p.by_hand) for p in state.track.recent] == [(0.4, True)]


def test_the_balance_begins_at_yesterday_or_where_it_stood_and_under_no_clock_nowhere() -> None:
    assert started()[0].balanced_day == TODAY - DAY and started()[0].base_day == TODAY - DAY
    stood = started(Saved(balanced_day=TODAY - 3 * DAY))[0]
    assert stood.base_day == TODAY - 3 * DAY
    unknown = started(trust="unknown")[0]
    assert unknown.balanced_day is None and unknown.base_day is None


def test_today_is_the_garden_s_own_day() -> None:
    evening = START + timedelta(hours=14)  # 18:00 in the garden, the 21st in UTC
    assert started(wall=evening)[0].balanced_day == TODAY - DAY


def test_what_was_given_and_told_before_the_start_is_known_after_it() -> None:
    given, told = ((TODAY, "sage", 2.0),), outlook()
    state, _ = started(Saved(given_l=given, outlook=told, weather=told.days, stopped_by="Ines"))
    assert (state.given_l, state.outlook, state.weather) == (given, told, told.days)
    assert state.stopped_by == "Ines"


def test_what_stood_in_the_books_before_the_start_stands_there_after_it() -> None:
    until = START + timedelta(days=2)
    saved = Saved(
        book=WaterBook(TODAY, 300.0, 7.0, 2.0, 1.0),
        draws=(WaterDraw(START - timedelta(hours=2), 9.0, by_run=True),),
        water_days=(RecordWaterDay(TODAY - DAY, 310.0, 300.0, 8.0, 2.0, 0.0, None),),
        holds=(RecordHold("bed", until, "Ines", START),),
        choices=(RecordChoice("rank sage", "1", "Ines", START),),
        rain_typed=((TODAY - DAY, 3.0),),
        leak=Leak(0.2, 0.05),
        past=PastWeather(date(2011, 1, 1), np.full(9, 3.0), np.zeros(9), 47.45),
        alarms=(AlarmMemory("node_silent", "", told_at=START - DAY, told_day=TODAY - DAY),),
    )
    state, _ = started(saved)
    for name in ("book", "draws", "water_days", "holds", "choices", "rain_typed", "leak"):
        assert getattr(state, name) == getattr(saved, name), name
    assert state.past is saved.past
    assert state.rests == (TODAY, {})  # no run was begun
    assert [a.told_day for a in state.alarms if a.kind == "node_silent"] == [TODAY - DAY]


def test_root_zones_are_restored_and_a_plant_without_one_starts_full() -> None:
    sage = replace(full_root_zone(next(p for p in SITE.plants if p.id == "sage")), depletion_mm=9.0)
    state, _ = started(Saved(root_zones=(sage,), balanced_day=TODAY - DAY))
    assert {z.plant: z.depletion_mm for z in state.zones_now} == {"tomato": 0.0, "sage": 9.0, "thyme": 0.0}
    assert state.base_zones == state.zones_now


def test_a_stored_base_is_taken_where_it_knows_every_plant() -> None:
    zones = tuple(replace(full_root_zone(p), depletion_mm=3.0) for p in SITE.plants)
    balanced = TODAY - DAY
    whole, _ = started(Saved(base=(TODAY - 5 * DAY, tuple(reversed(zones))), balanced_day=balanced))
    assert whole.base_day == TODAY - 5 * DAY and whole.base_zones == zones
    lacking, _ = started(Saved(base=(TODAY - 5 * DAY, zones[1:]), balanced_day=balanced))
    assert lacking.base_day == balanced


def test_orders_from_before_the_start_are_under_way_and_said() -> None:
    state, effects = started(Saved(open_intents=(INTENT,), booked=frozenset({"b", "a"})))
    (held,) = state.intents
    assert held == OpenIntent(INTENT, 0.0, restored=True) and state.booked == ("a", "b")
    assert [e.text[:10] for e in effects if isinstance(e, Note)][:1] == ["1 order(s)"]
    assert not [e for e in started()[1] if isinstance(e, Note)]


def test_rain_that_was_told_of_days_gone_by_is_known_again() -> None:
    days = (
        DayWeather(TODAY - 2 * DAY, rain_mm=1.0), DayWeather(TODAY - DAY), DayWeather(TODAY, rain_mm=2.0),
        DayWeather(TODAY - 3 * DAY, rain_mm=4.0, rain_by="seen", rain_told_mm=None),
    )  # fmt: skip
    assert started(Saved(weather=days))[0].rain_known == frozenset({TODAY - 2 * DAY})


def test_a_start_fetches_the_weather_and_believes_nothing_heard() -> None:
    state, effects = started(monotonic_s=50.0, wall=START)
    assert [e for e in effects if isinstance(e, FetchWeather)]
    assert (state.silent_since_mono_s, state.unknown_since_mono_s) == (50.0, 50.0)
    assert state.fetch_at_mono_s == 50.0 + SITE.forecast.refresh_h * 3600
    assert state.asked_weather_mono_s == 50.0 and state.node is None


# --- weather


def outlook(fetched_h: float = 0.0, *, days: tuple[DayWeather, ...] | None = None, **more: Any) -> Outlook:
    return Outlook(days or dry_days(TODAY - 5 * DAY, 10), "test", START + timedelta(hours=fetched_h), **more)


def test_rain_that_an_outlook_tells_of_days_gone_by_is_known() -> None:
    driver = Driver(SITE)
    driver.feed(WeatherArrived(outlook()))
    assert driver.state.rain_known == frozenset(TODAY - n * DAY for n in range(1, 6))


def test_after_a_fetch_that_failed_the_weather_is_asked_for_again_in_an_hour() -> None:
    driver = Driver(SITE)
    driver.feed(WeatherFailed("no network"))
    driver.wait(3599.0, every_s=600.0, speaking=False)
    assert len(driver.all(FetchWeather)) == 1
    driver.wait(1.0, every_s=1.0, speaking=False)
    assert len(driver.all(FetchWeather)) == 2


def test_only_a_newer_outlook_ends_the_word_that_there_is_no_weather() -> None:
    driver = Driver(SITE)
    driver.feed(WeatherArrived(outlook()))
    driver.feed(WeatherFailed("no network"))
    assert driver.state.weather_fault == "no network"
    driver.feed(WeatherArrived(outlook()))  # the same again: nobody answers
    assert driver.state.weather_fault == "no network"
    driver.feed(WeatherArrived(outlook(0.01)))
    assert driver.state.weather_fault is None


def test_rain_is_known_of_days_that_were_over_when_it_was_told() -> None:
    turn = Turn(Driver(SITE).state, Driver(SITE).now)
    # START is 04:00 local on the 20th; told 8 h before, at 20:00 of the 19th, that day was not over.
    assert controller._rain_known(turn, outlook()) == frozenset(TODAY - n * DAY for n in range(1, 6))
    assert controller._rain_known(turn, outlook(-8.0)) == frozenset(TODAY - n * DAY for n in range(2, 6))
    silent = tuple(replace(d, rain_mm=None) for d in outlook().days)
    assert controller._rain_known(turn, outlook(days=silent)) == frozenset()


def test_rain_that_was_borrowed_is_as_old_as_its_own_source_and_what_was_known_stays() -> None:
    driver = Driver(SITE)
    yesterday = TODAY - DAY
    old = Borrowed("older", START - timedelta(days=2), ((yesterday, "rain_mm"),))
    turn = Turn(replace(driver.state, rain_known=frozenset({TODAY - 30 * DAY})), driver.now)
    known = controller._rain_known(turn, outlook(borrowed=(old,)))
    assert known == frozenset({TODAY - 30 * DAY, *(TODAY - n * DAY for n in range(2, 6))})


def test_the_weather_is_fetched_at_its_pace_and_hourly_while_yesterday_is_not_told() -> None:
    driver = Driver(SITE)
    fetches = lambda: len(driver.all(FetchWeather))  # noqa: E731
    assert fetches() == 1
    driver.feed(WeatherArrived(outlook()))
    driver.wait(SITE.forecast.refresh_h * 3600 - 1, every_s=1800, speaking=False)
    assert fetches() == 1
    driver.wait(1, every_s=1, speaking=False)
    assert fetches() == 2
    stale = replace(driver.state, rain_known=frozenset({TODAY - 3 * DAY}))
    driver.state = stale
    driver.wait(3599, every_s=1200, speaking=False)
    assert fetches() == 2
    driver.wait(1, every_s=1, speaking=False)
    assert fetches() == 3


def test_nothing_is_fetched_while_the_clock_is_unknown() -> None:
    assert not [e for e in started(trust="unknown")[1] if isinstance(e, FetchWeather)]


def test_a_level_that_nobody_reads_grows_old_with_the_clock_alone() -> None:
    driver = Driver(SITE)
    driver.ready()
    assert driver.state.belief.known
    driver.mono_s = 2 * 86_400.0
    driver.feed(Tick())
    assert not driver.state.belief.known


# --- the link


def test_a_link_breaks_only_when_it_was_there() -> None:
    driver = Driver(SITE)
    for connected, broke in ((False, 0), (True, 0), (True, 0), (False, 1), (False, 1), (True, 1)):
        driver.mono_s += 1.0
        driver.feed(LinkChanged(connected))
        assert len(driver.state.broke_mono_s) == broke


def test_whoever_reaches_the_broker_asks_at_once_and_closes_where_a_person_stopped() -> None:
    for stopped_by in (None, "Ines"):
        driver = Driver(SITE, Saved(stopped_by=stopped_by))
        driver.mono_s = 7.0
        effects = driver.feed(LinkChanged(True))
        assert driver.state.connected and SendAsk() in effects
        assert (SendClose(None) in effects) == (stopped_by is not None)
        assert any(isinstance(e, Note) and "is reached" in e.text for e in effects)
        effects = driver.feed(LinkChanged(False))
        assert not driver.state.connected and any(
            isinstance(e, Note) and "is lost" in e.text for e in effects
        )
        assert SendAsk() not in effects and len(driver.state.broke_mono_s) == 1


def test_whoever_leaves_closes_every_valve_and_asks_whether_they_are_shut() -> None:
    driver = Driver(SITE)
    effects = driver.feed(events.Leaving())
    assert effects[:2] == [SendClose(None), SendAsk()] and driver.state.leaving


# --- a tested garden


def test_a_tested_garden_keeps_what_was_learned_but_for_the_zones_that_begin_anew() -> None:
    driver = Driver(SITE)
    driver.ready()
    driver.feed(LinkChanged(True))
    learned = FlowFactor(0.6, 0.05, START)
    flow = tuple((z.id, learned) for z in SITE.zones)
    driver.state = replace(driver.state, flow=controller.joined(flow))
    driver.feed(GardenTested(SITE, MODEL, (("pots", FlowFactor(0.9, 0.02, START)),)))
    assert driver.state.flow.factor("pots").value == pytest.approx(0.9)
    assert driver.state.flow.factor("bed").value == pytest.approx(0.6)
    assert driver.state.tested is None and driver.state.track.recent  # the same sensor and tank
    assert any(isinstance(e, Note) and "as tested" in e.text for e in driver.effects)


def test_a_zone_that_a_tested_garden_has_for_the_first_time_flows_as_its_site_file_has_it() -> None:
    before = replace(SITE, zones=SITE.zones[:1])
    driver = Driver(before)
    driver.mono_s = 60.0
    driver.feed(GardenTested(SITE, MODEL))
    assert driver.state.site is SITE
    flow = driver.state.flow.factor("bed")
    assert flow.value == pytest.approx(1.0) and flow.updated == START + timedelta(seconds=60)


def test_with_a_tested_garden_it_is_planned_anew_and_the_run_before_teaches_nothing() -> None:
    driver = Driver(SITE)
    driver.ready()
    driver.feed(Tick())
    plan = driver.state.plan
    assert plan is not None
    driver.state = replace(driver.state, proof=proof(driver))
    driver.feed(Tick())
    assert driver.state.plan is plan and driver.state.proof is not None
    driver.feed(GardenTested(SITE, MODEL))
    assert driver.state.plan is not plan and driver.state.proof is None


def test_another_tank_or_sensor_begins_the_level_anew_and_only_the_same_sensor_keeps_its_zero() -> None:
    driver = Driver(SITE)
    driver.ready()
    driver.wait(900)
    zeroed = replace(driver.state, track=replace(driver.state.track, offset_m=0.04, offset_sd_m=0.003))
    assert SITE.sensor is not None
    other_sensor = replace(SITE, sensor=replace(SITE.sensor, noise_m=0.009))
    other_tank = replace(SITE, tank=replace(SITE.tank, barrels=SITE.tank.barrels[:1]))
    for site, offset_m in ((other_tank, 0.04), (other_sensor, 0.0)):
        driver.state = zeroed
        driver.feed(events.GardenTested(site, MODEL))
        assert driver.state.track.recent == () and driver.state.track.offset_m == offset_m
        assert (driver.state.track.offset_sd_m == 0.003) == (offset_m == 0.04)
        assert not driver.state.belief.known


# --- how long to sleep


def with_runs_planned(passed_s: float) -> tuple[Driver, Plan]:
    """A dry garden with runs planned, so long after."""
    driver = Driver(SITE)
    driver.ready()
    driver.dry_out()
    driver.feed(Tick())
    driver.mono_s += passed_s
    plan = driver.state.plan
    assert plan is not None and plan.runs
    return driver, plan


def test_with_nothing_under_way_it_sleeps_ten_minutes_or_until_the_next_run() -> None:
    driver, plan = with_runs_planned(0.0)
    assert woken(replace(driver.state, plan=None), driver) == 600.0
    for ahead_s, sleep_s in ((5000.0, 600.0), (200.0, 200.0), (0.5, 1.0)):
        start = driver.now.wall + timedelta(seconds=ahead_s)
        runs = tuple(replace(r, start=start) for r in plan.runs)
        assert woken(replace(driver.state, plan=replace(plan, runs=runs)), driver) == sleep_s


def test_a_run_that_is_held_up_is_looked_at_once_a_minute_or_when_the_rest_is_over() -> None:
    driver, plan = with_runs_planned(5000.0)
    past = tuple(replace(r, start=driver.now.wall - timedelta(seconds=1)) for r in plan.runs)
    held_up = replace(driver.state, plan=replace(plan, runs=past))
    assert woken(held_up, driver) == 60.0
    # 15 minutes between two runs, of which five have passed.
    assert woken(replace(held_up, last_end_mono_s=driver.mono_s - 300.0), driver) == 600.0
    assert woken(replace(held_up, last_end_mono_s=driver.mono_s - 890.0), driver) == pytest.approx(10.0)


def test_while_something_is_under_way_it_looks_every_five_seconds() -> None:
    driver = Driver(SITE)
    driver.ready()
    for busy in (
        {"intents": (OpenIntent(INTENT, 0.0),)}, {"phase": "unproven"},
        {"waiting": (events.Request(1, START, "Ines", "water", "pots", 1.0),)},
    ):  # fmt: skip
        assert woken(replace(driver.state, **busy), driver) == 5.0  # type: ignore[arg-type]


def proof(driver: Driver, ended_s: float = 60.0) -> Proof:
    rest = RestLevel(0.5, 0.001, 9, START)
    return Proof("o-1", "pots", 5.0, 5.0, rest, START, driver.mono_s - ended_s, START, TODAY)


@pytest.mark.parametrize(
    ("starts_in_s", "rested_s", "judged"),
    [(3600.0, 1000.0, False), (-1.0, 60.0, False), (3600.0, 60.0, False), (-1.0, 900.0, True)],
)
def test_a_run_is_judged_early_only_where_the_next_one_waits_and_the_tank_has_rested(
    starts_in_s: float, rested_s: float, judged: bool
) -> None:
    """15 minutes of rest between two runs; without a run that waits the level is read on for 8 hours."""
    driver, plan = with_runs_planned(1000.0)
    start = driver.now.wall + timedelta(seconds=starts_in_s)
    driver.state = replace(
        driver.state,
        plan=replace(plan, runs=tuple(replace(r, start=start) for r in plan.runs)),
        proof=proof(driver),
        last_end_mono_s=driver.mono_s - rested_s,
    )
    driver.feed(Tick())
    assert (driver.state.proof is None) == judged


@pytest.mark.parametrize(("ended_s", "sleep_s"), [(0.0, 60.0), (899.0, 60.0), (900.0, 600.0)])
def test_for_a_quarter_of_an_hour_after_a_run_it_looks_every_minute(ended_s: float, sleep_s: float) -> None:
    driver = Driver(SITE)
    driver.mono_s = 5000.0
    assert woken(replace(driver.state, proof=proof(driver, ended_s)), driver) == sleep_s


def test_rain_of_the_gauge_counts_for_its_day() -> None:
    driver = Driver(SITE)
    driver.state = replace(driver.state, base_day=TODAY - 3 * DAY)
    driver.feed(RainMeasured(TODAY - DAY, 4.0))
    assert driver.state.rain_typed == ((TODAY - DAY, 4.0),)


def test_a_clock_that_becomes_known_begins_the_balance_at_yesterday() -> None:
    driver = Driver(SITE, trust="unknown")
    driver.feed(Tick())
    assert driver.state.base_day is None
    driver.trust = "synced"
    driver.feed(Tick())
    assert driver.state.base_day == TODAY - DAY == driver.state.balanced_day
