"""What a household tells of the year: drained and back, away, care done, messages put off."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TypeVar

import pytest

from scheduler.agronomy.weather import Outlook
from scheduler.control.care import BY_ID, care_done, care_due, due_words
from scheduler.control.effects import (
    AlertKind,
    ClearAlert,
    RaiseAlert,
    RecordAnswer,
    RecordChoice,
    RecordLearning,
    RecordPlan,
    SendClose,
    SendOrder,
)
from scheduler.control.events import LinkChanged, WeatherArrived, WeatherFailed
from scheduler.control.household import away_of, quiet_until
from scheduler.control.spans import Span, read_span
from scheduler.control.state import Saved
from scheduler.control.winter import valves_in_winter, winter_of
from scheduler.sensing.flow import CATALOGUE_SD, FlowFactor, joined
from scheduler.site.model import Site
from tests.support.driving import Driver
from tests.support.gardens import dry_days, small_garden

DAY_S = 86_400.0
# The scripted garden begins at 04:00 on this day.
TODAY = date(2012, 7, 20)
T = TypeVar("T")


def made(site: Site | None = None) -> Driver:
    driver = Driver(site or small_garden())
    driver.ready()
    return driver


def last(driver: Driver, kind: type[T]) -> T:
    found = driver.all(kind)
    return found[-1]


def said(driver: Driver, kind: str, subject: str | None = None) -> RecordAnswer:
    driver.ask(kind, subject)
    return last(driver, RecordAnswer)


def told(driver: Driver) -> list[AlertKind]:
    return [e.alert.kind for e in driver.all(RaiseAlert)]


def restarted(driver: Driver) -> Driver:
    """The same garden after a restart: only what was recorded as a choice is known."""
    kept = {c.subject: c for c in driver.all(RecordChoice)}
    return Driver(driver.site, Saved(choices=tuple(kept.values())), start=driver.now.wall)


# ---- Winter ------------------------------------------------------------------------------------------------


def test_nothing_is_planned_or_opened_while_the_garden_is_drained() -> None:
    driver = made()
    driver.dry_out()
    driver.node.level_m = 0.0
    driver.hear()
    assert said(driver, "winter", "2012-07-20/2012-09-01").done
    driver.wait(2 * DAY_S, every_s=1800.0)
    plan = last(driver, RecordPlan).plan
    assert plan.runs == () and {r.code for s in plan.skipped for r in s.reasons} == {"drained"}
    assert {s.zone for s in plan.skipped} == {"pots", "bed"}
    driver.ask("water", "bed", 5.0)
    driver.wait(600.0)
    answer = last(driver, RecordAnswer)
    assert not answer.done and "drained for the winter" in answer.text
    driver.ask("open_for", "bed", 60.0)
    assert "drained for the winter" in last(driver, RecordAnswer).text
    assert driver.all(SendOrder) == []


def test_it_stays_drained_over_a_restart_and_no_date_brings_it_back() -> None:
    driver = made()
    said(driver, "winter", "2012-07-20/2012-07-22")
    again = restarted(driver)
    again.ready()
    again.dry_out()
    again.wait(4 * DAY_S, every_s=1800.0)
    assert winter_of(again.state.choices).drained == Span(TODAY, date(2012, 7, 22))
    assert again.all(SendOrder) == []
    over = [e.alert for e in again.all(RaiseAlert) if e.alert.kind == "winter_over"]
    assert len(over) == 1 and "to be brought back from the winter on Sunday 22 July" in over[0].text


def test_coming_back_plans_again_and_asks_for_the_checks() -> None:
    driver = made()
    said(driver, "winter", "2012-07-20/..")
    answer = said(driver, "winter")
    assert answer.done and winter_of(driver.state.choices).back == TODAY
    for words in ("drains and taps", "filter cleaned", "lines flushed", "level measured", "catch cans"):
        assert words in answer.text
    due = care_due({}, first_day=None, back_since=TODAY, last_day=TODAY)
    assert {d.task.id for d in due} == {"drains", "barrels", "filter", "flush", "joints", "level", "cans"}
    driver.dry_out()
    driver.wait(5 * 3600.0)
    assert driver.orders() != []


def test_a_garden_that_stood_drained_did_not_clog_meanwhile() -> None:
    """At the pace of -0.0015 a day a hundred days would be exp(-0.15): 14 % less, and runs 16 % too long."""
    driver = made()
    sure = joined((z.id, FlowFactor(0.8, 0.02, driver.now.wall)) for z in driver.site.zones)
    driver.state = replace(driver.state, flow=sure)
    said(driver, "winter", "2012-07-20/..")
    driver.wait(100 * DAY_S, every_s=DAY_S)
    assert driver.state.flow.factor("bed", driver.now.wall).value == pytest.approx(0.8 * 0.861, rel=0.01)
    said(driver, "winter")
    now = driver.state.flow.factor("bed", driver.now.wall)
    assert now.value == pytest.approx(0.8, rel=0.001)
    assert now.sd / now.value > 5 * 0.02 / 0.8  # but how much it gives is known less well
    assert now.slope_per_day == pytest.approx(-0.0015)
    kept = [e for e in driver.all(RecordLearning) if e.zone == "bed"][-1]
    assert kept.flow_factor == pytest.approx(now.value)


@pytest.mark.parametrize(
    ("subject", "why"),
    [
        ("2012-08-20/..", "still to come"),
        ("2011-01-01/..", "too long ago"),
        ("2012-07-10/2012-07-15", "still to come"),
        ("2012-07-10/2012-07-01", "ends before it begins"),
        ("yesterday", "write two days as"),
        ("soon/later", "write it as"),
    ],
)
def test_a_slip_about_the_winter_is_refused_and_changes_nothing(subject: str, why: str) -> None:
    driver = made()
    answer = said(driver, "winter", subject)
    assert not answer.done and why in answer.text
    assert winter_of(driver.state.choices).drained is None


def test_a_run_under_way_is_not_taken_for_a_drained_garden() -> None:
    driver = made()
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    answer = said(driver, "winter", "2012-07-20/..")
    assert not answer.done and "run is under way" in answer.text


def test_the_answer_says_what_the_sensor_says_to_it() -> None:
    driver = made()
    assert (
        "60.0 cm, 317 L above the outlet: that would freeze" in said(driver, "winter", "2012-07-20/..").text
    )
    dry = made()
    dry.node.level_m = 0.0
    dry.wait(3 * 3600.0, every_s=300.0)
    assert "the barrels are empty down to the outlet" in said(dry, "winter", "2012-07-20/..").text


def test_a_drained_garden_does_not_shout() -> None:
    driver = made()
    driver.node.level_m = 0.0
    driver.wait(3 * 3600.0, every_s=300.0)
    assert "near_empty" in told(driver)
    said(driver, "winter", "2012-07-20/..")
    before = len(told(driver))
    driver.wait(2 * 3600.0, every_s=300.0)
    assert "near_empty" in [e.kind for e in driver.all(ClearAlert)]
    driver.wait(20 * DAY_S, every_s=3600.0, speaking=False)
    assert told(driver)[before:] == []


def test_a_valve_turned_by_hand_is_left_where_it_is_and_one_before_water_is_not() -> None:
    driver = made()
    driver.node.level_m = 0.0
    driver.wait(1800.0)
    said(driver, "winter", "2012-07-20/..")
    driver.node.positions[1] = ("unknown", None)
    driver.wait(1800.0, every_s=60.0)
    assert driver.all(SendClose) == [] and "valve_not_shut" not in told(driver)
    wet = made()
    said(wet, "winter", "2012-07-20/..")
    wet.node.positions[1] = ("open", None)
    wet.wait(600.0, every_s=60.0)
    assert wet.all(SendClose) != [] and "valve_not_shut" in told(wet)


def test_each_valve_is_held_against_its_winter_place() -> None:
    site = small_garden()
    pots, bed = site.zones
    site = replace(site, zones=(replace(pots, winter_valve="shut"), bed))
    drained = (RecordChoice("winter", "2012-11-20/..", "Ann", Driver(site).now.wall),)

    def seen(positions: dict[int, str] | None, *more: RecordChoice) -> list[bool | None]:
        return [v.proven for v in valves_in_winter(site, positions, (*drained, *more))]

    turned = RecordChoice("care valves", "2012-11-21", "Ann", Driver(site).now.wall)
    before = replace(turned, value="2012-11-01")
    assert seen(None) == [None, None]
    assert seen({1: "closed", 2: "closed"}) == [True, False]
    assert seen({1: "open", 2: "unknown"}) == [False, True]
    assert seen({1: "closed", 2: "closed"}, turned) == [True, True]
    assert seen({1: "closed", 2: "closed"}, before) == [True, False]
    # A valve that is to be shut is proven by the node alone.
    assert seen({1: "unknown"}, turned) == [False, True]


# ---- Frost -------------------------------------------------------------------------------------------------


def cold(driver: Driver, tmin_c: float, in_days: int) -> None:
    days = [
        replace(d, tmin_c=tmin_c) if d.day == TODAY + timedelta(days=in_days) else d
        for d in dry_days(TODAY - timedelta(days=14), 21)
    ]
    driver.feed(WeatherArrived(Outlook(tuple(days), "test", driver.now.wall)))


@pytest.mark.parametrize(
    ("tmin_c", "in_days", "warned"), [(-2.0, 1, True), (0.0, 2, True), (0.5, 1, False), (-5.0, 4, False)]
)
def test_frost_within_two_days_is_told_with_what_to_do(tmin_c: float, in_days: int, warned: bool) -> None:
    driver = made()
    cold(driver, tmin_c, in_days)
    found = [e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "frost"]
    assert bool(found) is warned
    if warned:
        assert f"{tmin_c:.1f} °C".replace(".0 °C", "") in found[0].text and "Drain" in found[0].advice


def test_the_frost_of_a_morning_is_not_told_in_the_evening_after_it() -> None:
    driver = made()
    driver.wait(16 * 3600.0, every_s=1800.0)  # 20:00 at the garden
    cold(driver, -5.0, 0)
    assert "frost" not in told(driver)
    cold(driver, -5.0, 1)
    assert "frost" in told(driver)


def test_a_drained_garden_is_not_told_of_frost() -> None:
    driver = made()
    driver.node.level_m = 0.0
    driver.wait(1800.0)
    said(driver, "winter", "2012-07-20/..")
    cold(driver, -8.0, 1)
    driver.wait(7200.0)
    assert "frost" not in told(driver)


def test_a_drained_garden_whose_barrels_fill_again_is_told_of_frost_with_its_level() -> None:
    driver = made()
    driver.node.level_m = 0.0
    driver.wait(1800.0)
    said(driver, "winter", "2012-07-20/..")
    driver.node.level_m = 0.2
    driver.wait(6 * 3600.0, every_s=300.0)
    cold(driver, -8.0, 1)
    (alert,) = [e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "frost"]
    assert "told as drained" in alert.text and "20.0 cm above the outlet" in alert.text
    assert alert.advice.startswith("Let the water out before it freezes")


# ---- Away, care, messages ----------------------------------------------------------------------------------


def test_away_dates_are_kept_until_they_are_over_and_say_whether_the_water_lasts() -> None:
    driver = made()
    driver.wait(3 * 3600.0)
    answer = said(driver, "away", "2012-07-22/2012-08-04")
    assert answer.done and "Sunday 22 July 2012 to Saturday 4 August 2012" in answer.text
    assert "water" in answer.text.lower()
    choices = driver.state.choices
    assert away_of(choices, date(2012, 8, 4)) == Span(date(2012, 7, 22), date(2012, 8, 4))
    assert away_of(choices, date(2012, 8, 5)) is None
    assert said(driver, "away").done and away_of(driver.state.choices, TODAY) is None


def test_without_any_weather_nothing_is_promised_and_the_plan_says_what_it_assumed() -> None:
    """FAO-56 has no value to use without temperatures; the plan then goes by 4 mm a day and says so."""
    driver = Driver(small_garden())
    driver.feed(LinkChanged(True))
    driver.feed(WeatherFailed("the weather service failed"))
    driver.wait(3 * 3600.0)
    answer = said(driver, "away", "2012-07-21/2012-07-23")
    assert answer.done and "is not known: no weather is known yet" in answer.text
    sources = {s.what: s for s in last(driver, RecordPlan).plan.sources}
    assert "a typical summer day, 4.0 mm" in sources["et0"].source and sources["et0"].as_of is None
    alert = next(e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "forecast_stale")
    assert "a typical summer day" in alert.advice
    made_with_weather = made()
    made_with_weather.wait(3 * 3600.0)
    assert "et0" not in {s.what for s in last(made_with_weather, RecordPlan).plan.sources}


@pytest.mark.parametrize(
    "subject", ["2012-07-01/2012-07-02", "2012-07-22/..", "2012-07-22/2014-07-22", "now"]
)
def test_a_slip_about_being_away_is_refused(subject: str) -> None:
    driver = made()
    assert not said(driver, "away", subject).done
    assert away_of(driver.state.choices, TODAY) is None


def test_care_is_due_by_its_days_from_when_it_was_done_last() -> None:
    driver = made()
    assert "Due again on Friday 3 August 2012" in said(driver, "care", "filter").text
    assert said(driver, "care", "flush 2012-07-01").done
    done = care_done(driver.state.choices)
    assert done == {"filter": TODAY, "flush": date(2012, 7, 1)}

    def due(on: date) -> list[str]:
        return [d.task.id for d in care_due(done, first_day=TODAY, back_since=None, last_day=on)]

    assert due(date(2012, 7, 30)) == []
    assert due(date(2012, 8, 3)) == ["flush", "filter"]
    assert due(date(2012, 8, 19)) == ["flush", "filter", "level"]
    words = due_words(care_due(done, first_day=TODAY, back_since=None, last_day=date(2012, 8, 19)), TODAY)
    assert words == (
        "lines flushed (last on 1 July), filter cleaned (last on 20 July), "
        "level measured by hand (never told)"
    )


def test_of_a_garden_whose_beginning_is_not_known_nothing_untold_is_called_due() -> None:
    assert care_due({}, first_day=None, back_since=None, last_day=date(2031, 1, 1)) == ()


@pytest.mark.parametrize("subject", ["polish", "filter 2012-08-20", "filter 2009-01-01", "filter soon", None])
def test_a_slip_about_care_is_refused(subject: str | None) -> None:
    driver = made()
    assert not said(driver, "care", subject).done
    assert care_done(driver.state.choices) == {}


def test_a_message_is_put_off_to_a_day_and_an_urgent_one_never() -> None:
    driver = made()
    assert said(driver, "quiet", "run_short 2012-08-01").done
    assert quiet_until(driver.state.choices) == {"run_short": date(2012, 8, 1)}
    for wrong in ("valve_not_shut 2012-08-01", "run_short 2012-07-20", "run_short 2013-07-20", "weather", ""):
        assert not said(driver, "quiet", wrong).done
    assert said(driver, "quiet", "run_short").done
    assert quiet_until(driver.state.choices) == {}


def test_a_cleaned_filter_ends_the_complaint_of_short_runs_and_brings_doubt_of_the_flow() -> None:
    driver = made()
    learned_sd = 0.02
    sure = joined((z.id, FlowFactor(0.8, learned_sd, driver.now.wall)) for z in driver.site.zones)
    driver.state = replace(driver.state, poor_runs=(("bed", 3),), flow=sure)
    driver.wait(600.0)
    assert told(driver) == ["run_short"]
    assert driver.state.flow_factor("bed").sd == pytest.approx(learned_sd, rel=0.05)
    said(driver, "care", "level")
    assert driver.state.poor_runs == (("bed", 3),)
    said(driver, "care", "filter")
    assert ("run_short", "bed") in [(e.kind, e.subject) for e in driver.all(ClearAlert)]
    doubted = driver.state.flow_factor("bed")
    assert doubted.value == pytest.approx(0.8, abs=1e-3)
    assert doubted.sd == pytest.approx(CATALOGUE_SD * 0.8, rel=0.01)
    learned = [e for e in driver.all(RecordLearning) if e.zone == "bed"][-1]
    assert learned.flow_factor_sd == pytest.approx(doubted.sd)


def test_every_task_of_care_can_be_told() -> None:
    driver = made()
    for name in BY_ID:
        assert said(driver, "care", name).done


def test_a_span_is_written_as_it_is_read() -> None:
    for text in ("2031-07-01/2031-07-14", "2031-07-01/..", "2031-07-01/2031-07-01"):
        assert str(read_span(text)) == text
    assert read_span("2031-07-01/..").holds(date(2099, 1, 1))
    assert not read_span("2031-07-01/2031-07-14").holds(date(2031, 7, 15))
