"""A practice is slow where the real programs judge one another by seconds, and fast elsewhere."""

from __future__ import annotations

import math
from datetime import timedelta

from scheduler.control.ordering import RUN_GAP_S
from scheduler.control.pulses import next_run
from scheduler.rehearsal.practice_pace import (
    HEARD_HEARTBEATS,
    LISTEN_HEARTBEATS,
    PACE_AT_REST,
    PACE_BEFORE_ORDER,
    PACE_MOVING,
    PACE_ORDERED,
    PACE_RUNNING,
    PACE_WAITING,
    PAST_LOOK_S,
    SPEAKS_S,
    hold_from_s,
    pace,
)
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def pace_now(driver: Driver, *, moving: bool = False, flowing: bool = False) -> float:
    return pace(driver.state, driver.now.wall, driver.mono_s, moving=moving, flowing=flowing)


def test_it_waits_until_the_node_is_heard_and_a_plan_is_made() -> None:
    assert pace(None, Driver(small_garden()).now.wall, 0.0, moving=False, flowing=False) == PACE_WAITING
    assert hold_from_s(None, Driver(small_garden()).now.wall, 60.0, 0.0, 0.0) == math.inf


def test_an_order_that_is_under_way_is_given_real_time() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    assert driver.state.phase == "ordered" and pace_now(driver) == PACE_ORDERED
    driver.node.opens(order)
    driver.hear()
    assert pace_now(driver, moving=True) == PACE_MOVING
    assert pace_now(driver, flowing=True) == PACE_RUNNING
    driver.mono_s += order.open_ms / 1000.0 - 20.0
    assert pace_now(driver, flowing=True) == PACE_MOVING  # its end is near


def test_time_never_runs_far_past_a_look_where_an_order_may_go_out() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.dry_out()
    while (run := next_run(driver.state)) is None:
        driver.wait(300.0)
    assert driver.state.node is not None
    began = driver.now.wall - timedelta(seconds=driver.mono_s)
    start_s, beat_s = (run.start - began).total_seconds(), driver.site.node.heartbeat_s

    def held_s(now_s: float, booted_s: float = 1e6) -> float:
        return hold_from_s(driver.state, began, beat_s, now_s, booted_s)

    assert held_s(start_s - 60.0) == start_s
    assert held_s(start_s + 600.0) == start_s + 600.0 + PAST_LOOK_S
    heard_s = driver.state.node.heard_mono_s + HEARD_HEARTBEATS * beat_s
    assert held_s(start_s + 3600.0) == heard_s
    # Before it the next word of the node is waited for, by the node's own clock.
    up_s = driver.state.node.uptime_ms / 1000.0
    assert held_s(start_s - 60.0, booted_s=7.0) == min(start_s, 7.0 + up_s + beat_s + SPEAKS_S)
    assert held_s(start_s - 10.0 * beat_s) == min(heard_s, start_s - LISTEN_HEARTBEATS * beat_s)
    assert PACE_BEFORE_ORDER <= pace_now(driver) <= PACE_AT_REST


def test_after_a_run_the_next_may_go_out_when_the_level_has_rested() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.node.ends(order)
    driver.hear()
    ended_s = driver.state.last_end_mono_s
    assert ended_s is not None
    while next_run(driver.state) is None:
        driver.wait(300.0)
    began = driver.now.wall - timedelta(seconds=driver.mono_s)
    assert hold_from_s(driver.state, began, 1e6, ended_s, 1e6) >= ended_s + RUN_GAP_S
