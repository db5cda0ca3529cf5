"""How well a zone's flow is known goes into its plan and into what counts as a run that fell short."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.control.effects import RecordBooking, RecordLearning, RecordMeasured, RecordPlan
from scheduler.control.orders import Order
from scheduler.control.proof import doubt_flows
from scheduler.control.state import Saved, Turn
from scheduler.sensing.flow import CATALOGUE_SD, FlowFactor
from tests.support.driving import START, Driver
from tests.support.gardens import small_garden

HOUR_S = 3600.0
ASKED_L = 20.0


def made(sd: float) -> Driver:
    """Both zones give what their curves say, known that well."""
    flow = tuple((z.id, FlowFactor(1.0, sd, START)) for z in small_garden().zones)
    driver = Driver(small_garden(), Saved(flow_factors=flow))
    driver.ready()
    return driver


def runs(driver: Driver, gives: float) -> None:
    """One run of the pots that gave so much of what is booked, and the rest that proves it."""
    driver.wait(9 * HOUR_S)
    driver.run_of("pots", ASKED_L, gives)
    driver.wait(9 * HOUR_S)


def poor(driver: Driver) -> int:
    return dict(driver.state.poor_runs).get("pots", 0)


@pytest.mark.parametrize(
    ("sd", "gives", "counted"),
    [
        (0.02, 0.62, 1),  # well known: below 70 % is short
        (0.02, 0.80, 0),
        (0.25, 0.62, 0),  # hardly known: half to one and a half of it may be right
        (0.25, 0.40, 1),
        (0.02, 1.40, -1),
        (0.25, 1.40, 0),
    ],
)
def test_a_run_counts_as_short_or_over_beyond_the_doubt_of_its_flow(
    sd: float, gives: float, counted: int
) -> None:
    driver = made(sd)
    runs(driver, gives)
    (measured,) = driver.all(RecordMeasured)
    assert measured.measured_l == pytest.approx(gives * measured.booked_l, abs=2.0)
    assert poor(driver) == counted


def test_a_run_under_an_unknown_clock_teaches_no_flow_that_forty_years_then_clog() -> None:
    """A Pi without a clock of its own starts in 1970. A factor learned then, with a slope of -0.0015 a day,
    would be exp(-0.0015 * 15 500) = 8e-11 once the time is found, and each run as long as the node allows."""
    driver = Driver(small_garden(), start=datetime(1970, 1, 2, tzinfo=UTC), trust="unknown")
    driver.ready()
    runs(driver, 0.97)
    assert driver.all(RecordBooking) and driver.all(RecordLearning) == []
    driver.start, driver.trust = START, "synced"
    driver.wait(600)
    assert driver.state.flow_factor("pots").at(driver.now.wall).value == 1.0


@pytest.mark.parametrize("unknown_at", ["order", "end"])
def test_a_run_teaches_nothing_where_the_time_was_unknown_at_either_end(unknown_at: str) -> None:
    driver = made(0.1)
    driver.wait(9 * HOUR_S)
    driver.trust = "unknown" if unknown_at == "order" else "synced"
    driver.ask("water", "pots", ASKED_L)
    order = driver.orders()[-1]
    driver.trust = "unknown" if unknown_at == "end" else "synced"
    driver.node.opens(order)
    driver.wait(order.open_ms / 1000.0, every_s=60.0)
    driver.node.ends(order)
    driver.hear()
    driver.trust = "synced"
    driver.wait(9 * HOUR_S)
    assert len(driver.all(RecordBooking)) == 1 and driver.all(RecordMeasured) == []


def test_a_cleaning_told_under_an_unknown_clock_adds_no_days_to_what_is_known() -> None:
    driver = made(0.02)
    driver.start, driver.trust = START + timedelta(days=15_000), "unknown"
    doubt_flows(turn := Turn(driver.state, driver.now), turn.local_day)
    assert turn.state.flow.factor("pots").value == pytest.approx(1.0)
    assert turn.state.flow.factor("pots").sd == pytest.approx(CATALOGUE_SD)
    assert {e.at for e in turn.effects if isinstance(e, RecordLearning)} == {START}


def test_the_plan_says_how_well_the_flow_is_known_where_that_matters() -> None:
    said = {}
    for sd in (0.01, 0.1):
        driver = made(sd)
        driver.dry_out()
        driver.wait(3 * HOUR_S)
        plan = driver.all(RecordPlan)[-1].plan
        assert plan.runs
        said[sd] = [(run, r) for run in plan.runs for r in run.reasons if r.code == "flow_doubt"]
    assert said[0.01] == []
    assert said[0.1]
    for run, reason in said[0.1]:
        figures = dict(reason.figures)
        assert figures["flow_sd"] == pytest.approx(0.1, abs=0.005)
        assert figures["low_l"] == pytest.approx(0.8 * run.volume_l, rel=0.02)
        assert figures["high_l"] == pytest.approx(1.2 * run.volume_l, rel=0.02)
        assert "known to 20 %" in reason.text


def test_the_litres_in_the_books_carry_the_doubt() -> None:
    for sd in (0.02, 0.2):
        driver = made(sd)
        runs(driver, 1.0)
        booking = driver.all(RecordBooking)[-1].booking
        half = (booking.volume_high_l / booking.volume_l - 1.0) / 2.0
        assert half == pytest.approx((sd**2 + 0.02**2) ** 0.5, rel=0.1)


def clogged_run(driver: Driver) -> Order:
    """A run of the pots that gives half of what is booked; its proof stands open."""
    driver.wait(9 * HOUR_S)
    driver.ask("water", "pots", ASKED_L)
    order = driver.orders()[-1]
    driver.node.opens(order)
    driver.wait(order.open_ms / 1000, every_s=60.0)
    stage = driver.state.model.stage
    assert driver.node.level_m is not None
    driver.node.level_m = stage.level_m(stage.volume_l(driver.node.level_m) - 0.5 * ASKED_L)
    return order


@pytest.mark.parametrize("told", ["after", "while it runs"])
def test_a_run_from_before_the_cleaning_teaches_nothing_of_the_clean_zone(told: str) -> None:
    driver = made(0.02)
    order = clogged_run(driver)
    if told == "while it runs":
        driver.ask("care", "filter")
    driver.node.ends(order)
    driver.hear()
    driver.wait(600.0)
    if told == "after":
        assert driver.state.proof is not None
        driver.ask("care", "filter")
    driver.wait(9 * HOUR_S)
    assert driver.all(RecordMeasured) == []
    factor = driver.state.flow_factor("pots")
    assert factor.value == pytest.approx(1.0, abs=0.01) and factor.sd == pytest.approx(CATALOGUE_SD, rel=0.05)
    assert poor(driver) == 0


def test_a_run_after_a_cleaning_that_is_told_a_day_late_teaches() -> None:
    driver = made(0.02)
    order = clogged_run(driver)
    driver.node.ends(order)
    driver.hear()
    driver.ask("care", "filter 2012-07-19")  # the run was on the 20th
    driver.wait(9 * HOUR_S)
    assert len(driver.all(RecordMeasured)) == 1
    assert driver.state.flow_factor("pots").value < 0.9


@pytest.mark.parametrize(
    ("day", "doubted", "count_left"),
    [
        ("2012-07-20", True, 0),
        ("2012-07-19", True, 3),  # a run was proven since, and that one fell short
        ("2012-04-20", False, 3),  # by now the runs have told of the clean zone
    ],
)
def test_a_cleaning_told_late_ends_only_what_it_can(day: str, doubted: bool, count_left: int) -> None:
    driver = made(0.02)
    driver.state = replace(driver.state, poor_runs=(("pots", 3),))
    driver.ask("care", f"flush {day}")
    factor = driver.state.flow_factor("pots")
    assert (factor.sd > 0.5 * CATALOGUE_SD) is doubted
    assert bool(driver.all(RecordLearning)) is doubted
    assert poor(driver) == count_left


def test_where_no_run_was_proven_since_a_late_word_ends_the_count() -> None:
    driver = made(0.02)
    driver.state = replace(driver.state, poor_runs=(("pots", 3),))
    driver.wait(2 * 24 * HOUR_S, every_s=3600.0, speaking=False)
    driver.ask("care", "filter 2012-07-21")
    assert poor(driver) == 0
