"""How long the water lasts is looked for to its end, not judged by what the garden uses today."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.support.driving import START, Driver
from tests.support.gardens import small_garden


def test_plants_still_to_come_use_the_store_too() -> None:
    site = small_garden()
    planted = START.date() + timedelta(days=6)
    driver = Driver(replace(site, plants=tuple(replace(p, planted=planted) for p in site.plants)))
    driver.node.level_m = 0.25
    driver.ready()
    driver.state = replace(driver.state, plan_key=None)  # planned anew, with the level known
    driver.hear()
    plan = driver.state.plan
    assert plan is not None and not plan.runs
    days = plan.store.days_left_middle
    assert days is not None and 6 < days < plan.store.horizon_days
