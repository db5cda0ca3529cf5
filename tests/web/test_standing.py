"""What the page says of how things stand: each alert by its own zone, advice that still can be followed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from scheduler.control.effects import Alert, RaiseAlert, RecordChoice, RecordPlan
from scheduler.web.facts import Facts
from scheduler.web.standing import standings
from tests.support.page_garden import PageGarden, plain
from tests.support.page_states import STATES


def _raised_for(page: PageGarden, zone: str) -> None:
    text = f"{page.site.name}: too low for {page.site.zone(zone).name}."
    page.store.write([RaiseAlert(Alert("out_of_reach", zone, text, "Top up.", False, page.now()))])


def _out_of_reach(facts: Facts) -> list[str]:
    return [s.sentence for s in standings(facts) if s.state == "out_of_reach"]


def test_an_alert_is_left_out_only_where_its_own_zone_is_told_of(tmp_path: Path) -> None:
    page = STATES["short"](tmp_path)  # thyme, in the bed, is not reached
    _raised_for(page, "bed")
    own = _out_of_reach(page.garden.look())
    _raised_for(page, "pots")
    both = _out_of_reach(page.garden.look())
    page.close()
    assert own == []
    assert both == ["Too low for Pots."]


def test_a_reserve_that_is_released_is_not_to_be_released(tmp_path: Path) -> None:
    page = STATES["empty"](tmp_path)
    page.store.write([RecordChoice("reserve", "released", "Ines", page.now())])
    (found,) = [s for s in standings(page.garden.look()) if s.state == "near_empty"]
    page.close()
    assert found.advice == "Top up (through an air gap)."
    # 2 cm in two drums of 58 cm: 2 * pi/4 * 5.8^2 * 0.2 dm3 = 10.6 L.
    assert found.sentence.startswith("The barrels are down into the reserve, which is released: 10.")


def _planned_with_leak(page: PageGarden, l_day: float) -> None:
    plan = page.store.last_plan()
    assert plan is not None
    page.store.write([RecordPlan(replace(plan, store=replace(plan.store, leak_l=l_day)))])


def test_over_empty_barrels_a_leak_is_not_told_as_taking_anything(tmp_path: Path) -> None:
    page = STATES["empty"](tmp_path)
    _planned_with_leak(page, 7.2)
    facts = page.garden.look()
    page.close()
    assert facts.status is not None
    at_the_outlet = {"level_low_m": -0.01, "level_m": 0.01, "level_high_m": 0.03}
    found = standings(replace(facts, status=facts.status.model_copy(update=at_the_outlet)))
    (leak,) = [s for s in found if s.state == "leak"]
    assert leak.sentence == (
        "A leak of about 7 L a day has been known since today; the barrels stand empty, or nearly, and "
        "nothing leaks from empty barrels."
    )


def test_a_leak_stands_beside_how_things_stand_with_what_to_do(tmp_path: Path) -> None:
    page = STATES["well"](tmp_path)
    not_known = plain(page.client.get("/").text)
    _planned_with_leak(page, 7.2)
    found = standings(page.garden.look())
    told = plain(page.client.get("/").text)
    page.close()
    assert "Leak: whether there is one is not known; it takes some dry nights at rest to see." in not_known
    assert found[0].state == "well"
    (leak,) = [s for s in found if s.state == "leak"]
    assert leak.sentence == (
        "A leak takes about 7 L a day while the valves are shut, known since today and counted in how long "
        "the water lasts."
    )
    assert f"{leak.sentence} {leak.advice} Where the water went" in told
    assert "Leak: " not in told and "What to look at stands below." in told
