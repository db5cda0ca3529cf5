"""Crops past their season or still to come, by the days of planting: what ``check`` and a plan say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.report.answers import PlanAnswer, PlannedPlantAnswer
from scheduler.report.plan import plan_rows
from scheduler.report.planting import season_doubts, season_over
from scheduler.site.examples import example_site
from scheduler.site.model import Site

SITE = example_site("five-drums")
TOMATO = SITE.plant("tomato-1")  # planted on 15 May 2012
# FAO-56 Table 11, tomato in California: 35, 40, 50 and 30 days.
LAST, AFTER = date(2012, 10, 17), date(2012, 10, 18)
YEARS_ON = date(2026, 7, 1)


def with_tomato(**changes: object) -> Site:
    plants = (replace(p, **changes) if p.id == "tomato-1" else p for p in SITE.plants)  # type: ignore[arg-type]
    return replace(SITE, plants=tuple(plants))


def wants(site: Site, day: date) -> list[str]:
    plants = [PlannedPlantAnswer(id=p.id, zone="pots", wanted_l=2.9, given_l=2.9) for p in site.plants]
    answer = PlanAnswer.model_construct(
        day=day, zones=[], plants=plants, usable_l=None, days_left_middle=None
    )
    return [row[2] for row in plan_rows(site, answer)[1][2]]


def test_a_season_is_over_once_all_its_stages_have_gone_by() -> None:
    assert (LAST - date(2012, 5, 15)).days == 35 + 40 + 50 + 30
    assert not season_over(TOMATO, LAST) and season_over(TOMATO, AFTER)
    assert season_doubts(SITE, LAST) == []
    assert not season_over(SITE.plant("fig"), YEARS_ON)  # has no stages


def test_check_says_which_date_it_rests_on_what_is_given_and_what_to_write() -> None:
    (said,) = season_doubts(SITE, YEARS_ON)
    assert "tomato-4, Tomato at the corner (15 May 2012)." in said
    assert "given only what such a plant uses at its season's end" in said
    assert "write that day as planted." in said


def test_a_plan_marks_what_it_takes_as_at_its_seasons_end() -> None:
    assert wants(SITE, LAST) == ["2.9 L"] * len(SITE.plants)
    late = wants(SITE, AFTER)
    assert late[0] == "2.9 L, as at its season's end" and late[-1] == "2.9 L"


def test_a_plant_with_its_owners_own_factor_has_no_end_of_season() -> None:
    site = with_tomato(plant_factor=0.8)
    plant = site.plant("tomato-1")
    assert plant_coefficient(plant, YEARS_ON) == 0.8
    assert not season_over(plant, YEARS_ON)
    assert "Tomato by the door" not in season_doubts(site, YEARS_ON)[0]


@pytest.mark.parametrize("plant", ["tomato-1", "fig"])
def test_whatever_is_planted_later_is_not_watered_before_and_told_with_its_day(plant: str) -> None:
    day = date(2012, 6, 1)
    made = replace(SITE.plant(plant), planted=date(2012, 6, 9))
    site = replace(SITE, plants=tuple(made if p.id == plant else p for p in SITE.plants))
    assert plant_coefficient(made, day) == 0.0
    assert season_doubts(site, day) == [
        f"Not watered before the day of planting, which is still to come: {made.name} (9 June 2012)."
    ]
