"""Little water is nearly nothing only where it does not last."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.control.alarms import AlarmMemory
from scheduler.control.effects import ClearAlert, RaiseAlert
from scheduler.control.running_low import NEAR_EMPTY_SHARE, _span
from tests.support.driving import Driver
from tests.support.gardens import small_garden

LITTLE = NEAR_EMPTY_SHARE / 2.0


def told(
    days: int | None, *, planned_share: float = LITTLE, share: float = LITTLE, level_known: bool = True
) -> bool:
    """Whether "near_empty" is told, the plan made at one share of the store and the level at another."""
    driver = Driver(small_garden())
    stage, reserve_m = driver.state.model.stage, driver.state.model.reserve_level_m
    reserve_l = stage.volume_l(reserve_m)
    full_l = stage.volume_l(stage.brim_level_m) - reserve_l
    driver.node.level_m = stage.level_m(reserve_l + share * full_l)
    driver.ready()
    plan = driver.state.plan
    assert plan is not None and plan.store is not None
    usable_l = planned_share * full_l if level_known else None
    store = replace(
        plan.store, usable_l=usable_l, days_left_early=days, days_left_middle=days, days_left_late=days
    )
    driver.state = replace(driver.state, plan=replace(plan, store=store))
    driver.wait(2700.0)
    return "near_empty" in [a.alert.kind for a in driver.all(RaiseAlert)]


@pytest.mark.parametrize(("days", "is_told"), [(1, True), (5, True), (20, False), (None, False)])
def test_little_that_lasts_is_not_told_and_beyond_the_days_looked_ahead_is_lasting(
    days: int | None, is_told: bool
) -> None:
    assert told(days) is is_told


def test_a_plan_that_saw_no_end_is_not_believed_once_most_of_that_water_is_gone() -> None:
    """A burst line empties the barrels hours after the plan was made."""
    assert told(None, planned_share=0.9)


def test_a_plan_without_a_level_says_nothing_of_how_long_it_lasts() -> None:
    assert told(None, level_known=False)


def uphill(level_m: float, days: int | None) -> Driver:
    """A garden whose thyme stands 40 cm above the outlet, its plan as if the first plant went without after
    so many days; three quarters of an hour later."""
    site = small_garden()
    bed = site.zones[1]
    high = replace(bed.lines[0].points[1], drop_m=-0.4)
    line = replace(bed.lines[0], points=(bed.lines[0].points[0], high))
    driver = Driver(replace(site, zones=(site.zones[0], replace(bed, lines=(line,)))))
    driver.node.level_m = level_m
    driver.ready()
    _lasts(driver, days)
    driver.wait(2700.0)
    return driver


def _lasts(driver: Driver, days: int | None) -> None:
    plan = driver.state.plan
    assert plan is not None
    store = replace(plan.store, days_left_early=days, days_left_middle=days, days_left_late=days)
    driver.state = replace(driver.state, plan=replace(plan, store=store))


def texts(driver: Driver) -> list[str]:
    return [a.alert.text for a in driver.all(RaiseAlert) if a.alert.kind == "out_of_reach"]


def test_water_too_low_for_a_plant_far_up_is_not_called_an_empty_barrel() -> None:
    driver = uphill(0.42, 1)
    (alert,) = [a.alert for a in driver.all(RaiseAlert) if a.alert.kind == "out_of_reach"]
    assert "too low for Bed (it soon no longer reaches Thyme); " in alert.text
    assert alert.text.endswith("the first plant of the garden goes without in about 1 day.")
    assert "set what is no longer reached lower" in alert.advice and alert.subject == "bed"
    assert "near_empty" not in [a.alert.kind for a in driver.all(RaiseAlert)]


def test_it_is_told_when_the_level_passes_that_plant_and_not_only_when_the_plant_is_due() -> None:
    (text,) = texts(uphill(0.38, 5))
    assert "too low for Bed (it no longer reaches Thyme); " in text
    assert text.endswith("the first plant of the garden goes without in about 5 days.")
    assert texts(uphill(0.55, 5)) == []  # the level stands well above it


def test_a_plant_out_of_reach_that_wants_nothing_for_weeks_is_not_told() -> None:
    assert texts(uphill(0.38, 20)) == [] and texts(uphill(0.38, None)) == []


def test_a_level_that_plays_about_that_plant_is_one_message_and_ends_when_it_has_risen() -> None:
    driver = uphill(0.38, 5)
    for level_m in (0.41, 0.39, 0.42, 0.38):
        driver.node.level_m = level_m
        driver.wait(3 * 3600.0, every_s=600)
        _lasts(driver, 5)
    assert len(texts(driver)) == 1 and not ended(driver)
    driver.node.level_m = 0.7
    driver.wait(600.0, every_s=120)
    _lasts(driver, 20)
    driver.wait(3 * 3600.0, every_s=600)
    assert ended(driver) and len(texts(driver)) == 1


def ended(driver: Driver) -> bool:
    return "out_of_reach" in [e.kind for e in driver.all(ClearAlert)]


def test_barrels_that_are_nearly_empty_are_told_also_when_a_zone_was_out_of_reach_before() -> None:
    driver = uphill(0.38, 5)
    assert len(texts(driver)) == 1
    driver.node.level_m = 0.14
    for _ in range(4):
        driver.wait(900.0, every_s=300)
        _lasts(driver, 2)
    assert [a.alert.kind for a in driver.all(RaiseAlert) if a.alert.kind == "near_empty"] == ["near_empty"]


def test_the_end_of_the_water_is_not_told_where_one_zone_stands_too_high_for_it() -> None:
    driver = uphill(0.38, 0)
    for _ in range(8):
        driver.wait(900.0, every_s=300)
        _lasts(driver, 0)
    kinds = [a.alert.kind for a in driver.all(RaiseAlert)]
    assert kinds.count("out_of_reach") == 1 and "runs_out" not in kinds and "near_empty" not in kinds


def test_the_end_of_the_water_is_told_for_plants_that_get_all_they_want() -> None:
    """A short store that is rationed lasts longer, while some stand dry."""
    driver = Driver(small_garden())
    driver.node.level_m = 0.5
    driver.ready()
    for _ in range(28):  # from 04:00 to 11:00
        driver.wait(900.0, every_s=300)
        _lasts(driver, 3)
    (said,) = [a.alert.text for a in driver.all(RaiseAlert) if a.alert.kind == "runs_out"]
    assert said.endswith("(3 days) if every plant gets all it wants.")


def test_nearly_empty_ends_when_much_was_filled_in_though_a_zone_is_still_out_of_reach() -> None:
    driver = uphill(0.14, 1)
    assert "near_empty" in [a.alert.kind for a in driver.all(RaiseAlert)] and texts(driver) == []
    driver.node.level_m = 0.38
    for _ in range(12):
        driver.wait(900.0, every_s=300)
        _lasts(driver, 1)
    assert "near_empty" in [e.kind for e in driver.all(ClearAlert)] and len(texts(driver)) == 1


def test_what_was_told_of_a_zone_that_the_garden_no_longer_has_is_over() -> None:
    driver = uphill(0.7, 20)
    gone = AlarmMemory("out_of_reach", "gone", raised_at=driver.now.wall, told_at=driver.now.wall)
    driver.state = replace(driver.state, alarms=(*driver.state.alarms, gone))
    driver.wait(2 * 3600.0, every_s=600)
    assert ("out_of_reach", "gone") in [(e.kind, e.subject) for e in driver.all(ClearAlert)]


@pytest.mark.parametrize(
    ("early", "late", "words"),
    [(1, 1, "1 day"), (3, 3, "3 days"), (1, 4, "1 to 4 days"), (2, None, "2 days or more")],
)
def test_a_span_of_one_length_is_told_as_one(early: int, late: int | None, words: str) -> None:
    assert _span(early, late) == words
