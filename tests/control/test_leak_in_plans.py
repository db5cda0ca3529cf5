"""A known leak goes with every plan, also while the level is unknown, and over a start of the controller."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from scheduler.control.controller import begin
from scheduler.control.effects import RecordChoice, RecordPlan
from scheduler.control.schedule import make_plan
from scheduler.control.state import Saved, Turn
from scheduler.planning.plan import Plan
from scheduler.sensing.belief import UNKNOWN_LEVEL
from scheduler.sensing.leak import Leak
from scheduler.store.store import Store, store_url
from tests.support.driving import Driver
from tests.support.gardens import small_garden

SITE = small_garden()
ZONE = SITE.place.timezone
LEAK = Leak(0.3, 0.05)


def planned(driver: Driver, leak: Leak | None) -> Plan:
    turn = Turn(replace(driver.state, leak=leak), driver.now)
    make_plan(turn)
    assert turn.state.plan is not None
    return turn.state.plan


def ready() -> Driver:
    driver = Driver(SITE)
    driver.ready()
    return driver


def test_a_leak_is_carried_while_the_level_is_unknown() -> None:
    driver = ready()
    assert planned(driver, LEAK).store.leak_l == pytest.approx(7.2)
    driver.state = replace(driver.state, belief=UNKNOWN_LEVEL, last_known=None)
    blind = planned(driver, LEAK).store
    assert blind.usable_l is None and blind.leak_l == pytest.approx(7.2)


def test_a_leak_that_is_not_known_is_told_from_none() -> None:
    driver = ready()
    unknown, unsure = (planned(driver, leak).store for leak in (None, Leak(0.1, 0.2)))
    assert (unknown.leak_l, unknown.leak_sd_l) == (0.0, None)
    assert unsure.leak_l == 0.0 and unsure.leak_sd_l == pytest.approx(4.8)


def test_what_leaked_before_the_winter_is_not_known_after_it() -> None:
    driver = ready()
    told = RecordChoice("winter", "2012-07-19/2012-12-31", "gardener", driver.now.wall)
    driver.state = replace(driver.state, choices=(told,), leak=LEAK)
    turn = Turn(driver.state, driver.now)
    make_plan(turn)
    assert turn.state.plan is not None and turn.state.plan.reasons[0].code == "drained"
    assert (turn.state.plan.store.leak_l, turn.state.plan.store.leak_sd_l) == (0.0, None)
    assert turn.state.leak is None


def after_a_start(tmp_path: Path, plan: Plan, days: int = 0) -> Saved:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write([RecordPlan(plan)])
        return store.load_saved(plan.made_at + timedelta(days=days), ZONE)


def test_a_start_forgets_no_leak(tmp_path: Path) -> None:
    driver = ready()
    saved = after_a_start(tmp_path, planned(driver, LEAK))
    state, _ = begin(SITE, saved, driver.now, driver.state.model)
    assert state.leak is not None
    assert (state.leak.lph, state.leak.sd_lph) == pytest.approx((LEAK.lph, LEAK.sd_lph))


def test_one_that_no_plan_counted_on_or_an_old_one_is_not_known_again(tmp_path: Path) -> None:
    driver = ready()
    assert after_a_start(tmp_path, planned(driver, LEAK), days=8).leak is None
    assert after_a_start(tmp_path, planned(driver, Leak(0.1, 0.2))).leak is None
