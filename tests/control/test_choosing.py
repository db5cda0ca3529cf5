"""What people choose of a short store: durable, planned by at once, until taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from scheduler.control.choosing import choices_of
from scheduler.control.effects import RecordAnswer, RecordChoice, RecordPlan
from scheduler.control.schedule import model_now
from scheduler.control.state import Saved
from scheduler.planning.choices import Choices
from scheduler.planning.plan import Plan
from scheduler.store.store import Store, store_url
from tests.support.driving import Driver
from tests.support.gardens import small_garden

AT = datetime(2012, 7, 20, 12, 0, tzinfo=UTC)


def short_of_water(saved: Saved | None = None) -> Driver:
    """Dry soils an hour before the window, and little over the reserve for weeks without rain."""
    driver = Driver(small_garden(), saved)
    driver.node.level_m = 0.13
    driver.ready()
    driver.dry_out()
    driver.hear()
    return driver


def last_plan(driver: Driver) -> Plan:
    return driver.all(RecordPlan)[-1].plan


def answer(driver: Driver) -> RecordAnswer:
    return driver.all(RecordAnswer)[-1]


def test_unasked_a_short_store_goes_by_rank_and_the_plan_says_so() -> None:
    driver = short_of_water()
    plan = last_plan(driver)
    assert any(r.code == "rationed" and "first ranks first" in r.text for r in plan.reasons)
    bed = next(s for s in plan.skipped if s.zone == "bed")
    assert bed.reasons[0].code == "rationed"
    assert "kept back" in bed.reasons[0].text
    assert [r.zone for r in plan.runs] == ["pots"]


def test_what_is_missed_stays_noted_and_no_dose_is_larger_for_it() -> None:
    driver = short_of_water()
    missing = {z.plant: z.depletion_mm for z in driver.state.zones_now}
    assert missing["sage"] >= 25.0
    wants = {s.plant: s for s in last_plan(driver).shares}
    assert wants["sage"].wanted_l > 0.0 and wants["sage"].given_l == 0.0


def test_a_chosen_way_is_recorded_and_planned_by_at_once() -> None:
    driver = short_of_water()
    driver.ask("ration", "alike")
    (record,) = driver.all(RecordChoice)
    assert (record.subject, record.value, record.who) == ("ration", "alike", "gardener")
    assert answer(driver).done
    kinds = [type(e) for e in driver.effects if isinstance(e, RecordChoice | RecordPlan)]
    assert kinds[-2:] == [RecordChoice, RecordPlan]
    assert any("all plants alike" in r.text for r in last_plan(driver).reasons)
    driver.ask("ration")
    assert choices_of(driver.state.choices) == Choices()
    assert any("first ranks first" in r.text for r in last_plan(driver).reasons)


def test_a_plant_put_first_is_watered_before_the_others() -> None:
    driver = short_of_water()
    for plant in ("sage", "thyme"):
        driver.ask("rank", plant, 1)
    driver.ask("rank", "tomato", 9)
    assert "has rank 9" in answer(driver).text
    assert model_now(driver.state).site.plant("tomato").rank == 9
    assert driver.state.site.plant("tomato").rank == 1  # the site file stands
    assert last_plan(driver).runs[0].zone == "bed"
    for plant in ("sage", "thyme", "tomato"):
        driver.ask("rank", plant)
    assert model_now(driver.state).site == driver.state.site


def test_a_released_reserve_is_drawn_on_and_kept_again() -> None:
    driver = short_of_water()
    kept = {z.id: driver.state.model.floor_level_m(z.id) for z in driver.site.zones}
    driver.ask("reserve", "released")
    assert "released" in answer(driver).text
    released = model_now(driver.state)
    assert all(released.floor_level_m(z) < kept[z] for z in kept)
    driver.ask("reserve")
    assert model_now(driver.state).reserve_level_m == driver.state.model.reserve_level_m


@pytest.mark.parametrize(
    ("kind", "subject", "amount", "said"),
    [
        ("ration", "by-the-moon", None, "no way called 'by-the-moon'"),
        ("rank", "nettle", 1.0, "no plant called 'nettle'"),
        ("rank", "sage", 0.0, "whole number"),
        ("rank", "sage", 1.5, "whole number"),
        ("rank", "sage", 100.0, "whole number"),
        ("reserve", "sold", None, "kept or released"),
    ],
)
def test_what_there_is_not_is_refused_and_nothing_changes(
    kind: str, subject: str, amount: float | None, said: str
) -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.ask(kind, subject, amount)
    assert not answer(driver).done
    assert said in answer(driver).text
    assert driver.state.choices == ()


def test_choices_outlive_a_restart_until_they_are_taken_back(tmp_path: Path) -> None:
    site = small_garden()
    driver = short_of_water()
    with Store(store_url(tmp_path / "plot.db"), site.id) as store:
        driver.ask("ration", "first-rank")
        driver.ask("rank", "sage", 1)
        driver.ask("rank", "sage", 2)
        driver.ask("reserve", "released")
        driver.ask("reserve")
        store.write(driver.all(RecordChoice))
    with Store(store_url(tmp_path / "plot.db"), site.id) as store:
        saved = store.load_saved(AT, site.place.timezone)
        assert choices_of(saved.choices) == Choices("first-rank", {"sage": 2})
        assert choices_of(store.choices_now()) == choices_of(saved.choices)
        again = short_of_water(Saved(choices=saved.choices))
        assert any("first rank alone" in r.text for r in last_plan(again).reasons)
        store.write([replace(c, value=None) for c in saved.choices])
        assert choices_of(store.load_saved(AT, site.place.timezone).choices) == Choices()


def test_choices_are_never_pruned(tmp_path: Path) -> None:
    site = small_garden()
    with Store(store_url(tmp_path / "plot.db"), site.id) as store:
        store.write([RecordChoice("ration", "alike", "gardener", AT)])
        store.prune(AT.replace(year=2032))
        assert choices_of(store.choices_now()).way == "alike"


def test_the_same_past_gives_the_same_plan() -> None:
    one, other = (last_plan(short_of_water()) for _ in range(2))
    assert one == other
