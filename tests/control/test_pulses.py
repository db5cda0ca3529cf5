"""A run in several openings: each its own bounded order, booked once; the rest by a later plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from itertools import pairwise

import pytest

from scheduler.control.effects import Note, RecordBooking, RecordIntent, RecordPlan, SendOrder
from scheduler.control.orders import Order
from scheduler.control.state import Opened, Saved
from scheduler.planning.plan import PlannedRun
from scheduler.planning.soaking import at_once, whole_runs
from scheduler.site.model import Site, WateringWindow
from tests.support.driving import Driver
from tests.support.gardens import small_garden

SITE = replace(small_garden(), windows=(WateringWindow(time(5), time(14)),))


def obedient(driver: Driver, hours: float, *, step_s: float = 300.0) -> None:
    """Let time pass before a node that does what it is told and reports each end."""
    running: list[tuple[float, Order]] = []
    for _ in range(int(hours * 3600.0 / step_s)):
        seen = len(driver.effects)
        driver.wait(step_s, every_s=step_s)
        for effect in driver.effects[seen:]:
            if isinstance(effect, SendOrder):
                driver.node.opens(effect.order)
                driver.hear()
                running.append((driver.mono_s + effect.order.open_ms / 1000.0, effect.order))
        for end_s, order in list(running):
            if driver.mono_s >= end_s:
                driver.node.ends(order)
                running.remove((end_s, order))
                driver.hear()


def dry(site: Site = SITE) -> Driver:
    driver = Driver(site)
    driver.ready()
    driver.dry_out(25.0)
    return driver


def of_bed(driver: Driver) -> list[RecordIntent]:
    return [i for i in driver.all(RecordIntent) if i.intent.zone == "bed"]


def first_plan_of_bed(driver: Driver) -> PlannedRun:
    """The whole run of the plan that the first opening went by."""
    made_at = of_bed(driver)[0].intent.made_at
    plan = [e.plan for e in driver.all(RecordPlan) if e.plan.made_at <= made_at][-1]
    return next(r for r in whole_runs(plan.runs) if r.zone == "bed")


def test_each_opening_is_an_order_of_its_own_and_is_booked_once() -> None:
    driver = dry()
    obedient(driver, 9.0)
    intents, planned = of_bed(driver), first_plan_of_bed(driver)
    assert planned.pulses == len(intents) > 1
    assert len({i.intent.order.order_id for i in intents}) == len(intents)
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.zone == "bed"]
    assert [b.order_id for b in bookings] == [i.intent.order.order_id for i in intents]
    assert sum(b.volume_l for b in bookings) == pytest.approx(planned.volume_l, rel=0.05)
    given = {p: sum(dict(b.given_l)[p] for b in bookings) for p in ("sage", "thyme")}
    for share in planned.shares:
        assert given[share.plant] == pytest.approx(share.given_l, rel=0.05)


def test_a_node_that_opens_for_three_quarters_of_an_hour_gives_a_longer_run_in_openings() -> None:
    driver = dry(replace(SITE, node=replace(SITE.node, longest_open_s=2700.0)))
    obedient(driver, 9.0)
    orders_s = [i.intent.order.open_ms / 1000.0 for i in of_bed(driver)]
    assert max(orders_s) <= 2700.0 < sum(orders_s)
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.zone == "bed"]
    given = {p: sum(dict(b.given_l)[p] for b in bookings) for p in ("sage", "thyme")}
    for share in first_plan_of_bed(driver).shares:
        assert share.given_l == pytest.approx(share.wanted_l, rel=0.05)  # nothing was cut
        assert given[share.plant] == pytest.approx(share.given_l, rel=0.05)


def test_no_opening_is_longer_than_the_ground_takes_and_the_water_has_its_time() -> None:
    driver = dry()
    obedient(driver, 9.0)
    intents = of_bed(driver)
    level_m = intents[0].intent.level_m
    assert level_m is not None
    bound = at_once(driver.state.model, "bed", level_m)
    for intent in intents:
        # Filling the lines before the first drop is no water on the ground.
        assert intent.intent.order.open_ms / 1000.0 <= 1.1 * bound.run_s
    for before, after in pairwise(intents):
        shut = before.intent.made_at + timedelta(milliseconds=before.intent.order.open_ms)
        assert (after.intent.made_at - shut).total_seconds() >= bound.soak_s


def test_the_next_window_of_the_day_brings_the_rest() -> None:
    """The morning window is too short; the evening's plan goes on though no plant is due any more."""
    windows = (WateringWindow(time(5), time(8)), WateringWindow(time(19), time(23)))
    driver = dry(replace(SITE, windows=windows))
    obedient(driver, 6.0)
    morning = len(of_bed(driver))
    assert 1 <= morning < first_plan_of_bed(driver).pulses
    obedient(driver, 12.9)
    planned = first_plan_of_bed(driver)
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.zone == "bed"]
    assert len(bookings) > morning
    assert sum(b.volume_l for b in bookings) == pytest.approx(planned.volume_l, rel=0.05)
    evening = driver.all(RecordPlan)[-1].plan
    rest = [r for r in evening.runs if r.zone == "bed"]
    assert [r.pulse for r in rest] == list(range(morning + 1, morning + 1 + len(rest)))
    assert any("earlier today" in r.text for r in rest[0].reasons if r.code == "soaks_in")


def test_a_rationed_dose_is_given_whole_over_two_windows() -> None:
    """While water is short the evening's plan brings the rest of the dose, and no more than that."""
    windows = (WateringWindow(time(5), time(6, 30)), WateringWindow(time(19), time(23)))
    driver = Driver(replace(SITE, windows=windows))
    driver.node.level_m = 0.2
    driver.ready()
    driver.dry_out(25.0)
    for plant in ("sage", "thyme"):
        driver.ask("rank", plant, 1)
    obedient(driver, 6.0)
    morning, planned = len(of_bed(driver)), first_plan_of_bed(driver)
    assert any(r.code == "rationed" for r in planned.reasons)
    assert 1 <= morning < planned.pulses
    obedient(driver, 12.9)
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.zone == "bed"]
    assert len(bookings) > morning
    assert sum(b.volume_l for b in bookings) == pytest.approx(planned.volume_l, rel=0.05)


@pytest.mark.parametrize("soil", ["loam", "sand"])
@pytest.mark.parametrize("depletion_mm", [0.0, 0.5, 3.0, 6.0])
def test_a_plant_that_wants_little_does_not_hold_back_the_dose_of_another_that_is_rationed(
    depletion_mm: float, soil: str
) -> None:
    """The order brings what the plan said, in one opening (sand) and in several."""
    plants = tuple(replace(p, soil=soil) if p.soil else p for p in SITE.plants)
    driver = Driver(replace(SITE, plants=plants))
    driver.node.level_m = 0.2
    driver.ready()
    driver.dry_out(25.0)
    zones = tuple(
        replace(z, depletion_mm=depletion_mm) if z.plant == "thyme" else z for z in driver.state.zones_now
    )
    driver.state = replace(driver.state, zones_now=zones, base_zones=zones, plan_key=None)
    driver.ask("rank", "sage", 1)
    obedient(driver, 5.0)
    planned = first_plan_of_bed(driver)
    assert any(r.code == "rationed" for r in planned.reasons)
    assert sum(i.intent.volume_l for i in of_bed(driver)) == pytest.approx(planned.volume_l, rel=0.02)


def test_an_opening_that_the_node_refused_is_tried_again_and_no_earlier_one() -> None:
    driver = dry()
    obedient(driver, 2.5)
    done = of_bed(driver)
    assert len(done) == 1
    while len(of_bed(driver)) < 2:
        driver.wait(300)
    driver.wait(1200)  # it never began
    obedient(driver, 8.0)
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.zone == "bed"]
    watered = [b for b in bookings if b.volume_l > 0.0]
    planned = first_plan_of_bed(driver)
    assert len(watered) < len(bookings)
    assert len(watered) == planned.pulses
    assert sum(b.volume_l for b in watered) == pytest.approx(planned.volume_l, rel=0.05)


def test_what_a_person_gave_between_two_openings_is_not_given_again() -> None:
    driver = dry()
    obedient(driver, 2.5)
    assert len(of_bed(driver)) == 1
    for plant in ("sage", "thyme"):
        driver.ask("gave", plant, 30.0)
    obedient(driver, 8.0)
    assert len(of_bed(driver)) == 1
    assert any("Zone bed is not watered" in n.text for n in driver.all(Note))


def test_a_run_that_was_watered_before_its_first_opening_has_no_later_ones() -> None:
    driver = dry()
    for plant in ("sage", "thyme"):
        driver.ask("gave", plant, 30.0)
    obedient(driver, 9.0)
    assert not of_bed(driver)


def _to_orders_of_bed(driver: Driver, count: int) -> None:
    """Let time pass before a node that waters the other zones and begins none of the bed's orders."""
    running: list[tuple[float, Order]] = []
    while len(of_bed(driver)) < count:
        seen = len(driver.effects)
        driver.wait(300.0)
        mine = {i.intent.order.order_id for i in of_bed(driver)}
        for effect in driver.effects[seen:]:
            if isinstance(effect, SendOrder) and effect.order.order_id not in mine:
                driver.node.opens(effect.order)
                running.append((driver.mono_s + effect.order.open_ms / 1000.0, effect.order))
        for end_s, order in list(running):
            if driver.mono_s >= end_s:
                driver.node.ends(order)
                running.remove((end_s, order))
        assert driver.mono_s < 9 * 3600.0


def test_an_opening_tried_again_and_again_puts_the_next_back_by_its_delay_and_no_more() -> None:
    driver = dry()
    _to_orders_of_bed(driver, 1)
    plan = driver.all(RecordPlan)[-1].plan
    first, second = [r for r in plan.runs if r.zone == "bed"][:2]
    _to_orders_of_bed(driver, 5)
    last = of_bed(driver)[-1].intent
    assert driver.state.plan is not None
    later = next(r for r in driver.state.plan.runs if r.zone == "bed" and r.pulse == 2)
    late = last.made_at - first.start
    assert late > timedelta(minutes=60)
    longer = timedelta(seconds=max(0.0, last.order.open_ms / 1000.0 - first.run_s))
    assert abs(later.start - (second.start + late + longer)) < timedelta(minutes=1)


def _watered_of_bed_l(*drivers: Driver) -> float:
    return sum(b.booking.volume_l for d in drivers for b in d.all(RecordBooking) if b.booking.zone == "bed")


def test_a_test_s_hold_between_two_openings_does_not_end_the_run() -> None:
    driver = dry()
    obedient(driver, 2.5)
    assert len(of_bed(driver)) == 1
    driver.ask("open_for", "pots", 60.0)
    obedient(driver, 7.0)
    planned = first_plan_of_bed(driver)
    assert len(of_bed(driver)) == planned.pulses
    assert _watered_of_bed_l(driver) == pytest.approx(planned.volume_l, rel=0.05)


def _started_anew(driver: Driver) -> Driver:
    """Another life of the service: what a store would give back, the same node, the same time."""
    state = driver.state
    plans = tuple(e.plan for e in driver.all(RecordPlan))
    empty = {b.booking.order_id for b in driver.all(RecordBooking) if b.booking.volume_l == 0.0}
    intents = [e.intent for e in driver.all(RecordIntent) if e.intent.order.order_id not in empty]
    opened = tuple(Opened(i.zone, i.made_at, i.order.open_ms / 1000.0) for i in intents)
    saved = Saved(
        booked=frozenset(state.booked),
        root_zones=state.zones_now,
        balanced_day=state.balanced_day,
        given_l=state.given_l,
        plans=plans,
        opened=opened,
    )
    again = Driver(driver.site, saved, start=driver.now.wall)
    again.node = driver.node
    again.node.booted_at_s -= driver.mono_s
    again.ready()
    return again


def test_a_service_started_anew_between_two_openings_brings_the_rest_and_lets_the_water_soak_in() -> None:
    driver = dry()
    _to_orders_of_bed(driver, 3)  # the first of them begins late
    order = driver.orders()[-1]
    driver.node.opens(order)
    driver.wait(order.open_ms / 1000.0, every_s=60.0)
    driver.node.ends(order)
    driver.hear()
    assert driver.state.plan is not None
    due = next(r.start for r in driver.state.plan.runs if r.zone == "bed" and r.pulse == 2)
    again = _started_anew(driver)
    obedient(again, 6.0)
    planned = first_plan_of_bed(driver)
    assert len(of_bed(again)) == planned.pulses - 1
    assert of_bed(again)[0].intent.made_at >= due
    assert _watered_of_bed_l(driver, again) == pytest.approx(planned.volume_l, rel=0.05)


def test_a_service_started_anew_after_the_last_opening_gives_no_more() -> None:
    driver = dry()
    obedient(driver, 8.0)
    assert len(of_bed(driver)) == first_plan_of_bed(driver).pulses
    again = _started_anew(driver)
    obedient(again, 3.0)
    assert of_bed(again) == []


def test_what_a_person_gave_before_the_service_started_anew_is_not_given_again() -> None:
    driver = dry()
    obedient(driver, 2.5)
    for plant in ("sage", "thyme"):
        driver.ask("gave", plant, 30.0)
    again = _started_anew(driver)
    obedient(again, 6.0)
    assert of_bed(again) == []
