"""Newly planted trees and shrubs by age: arboretum and extension advice, 1 to 1.5 gal per inch of trunk."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from scheduler.agronomy import young
from scheduler.site.model import Plant

PLANTED = date(2022, 4, 1)


def tree(**more: object) -> Plant:
    values: dict[str, object] = {"planted": PLANTED, "soil": "loam", "trunk_diameter_m": 0.0254, **more}
    return Plant("fig", "Fig", "fig", canopy_m2=0.6, rank=1, **values)  # type: ignore[arg-type]


def test_a_dose_lies_between_1_and_1_5_gallons_per_inch_of_trunk():
    # 3.8 to 5.7 L, as the arboretum page prints it.
    assert 3.8 < young.dose_l(tree()) < 5.7
    assert young.dose_l(tree()) == pytest.approx(1.25 * 231 * 0.0254**3 * 1000)  # 231 in3 to the gallon
    assert young.dose_l(tree(trunk_diameter_m=0.0508)) == pytest.approx(2 * young.dose_l(tree()))


@pytest.mark.parametrize(
    ("age_d", "interval"), [(0, 1), (13, 1), (14, 3), (83, 3), (84, 7), (300, 7), (500, 7)]
)
def test_waterings_come_daily_then_every_few_days_then_weekly(age_d: int, interval: float):
    assert young.interval_d(tree(), PLANTED + timedelta(days=age_d)) == interval


def test_care_by_age_ends_on_the_owners_date_or_within_two_years():
    last = PLANTED + timedelta(days=200)
    assert young.is_young(tree(established=last), last - timedelta(days=1))
    assert not young.is_young(tree(established=last), last)
    assert young.is_young(tree(), PLANTED + timedelta(days=365))
    assert not young.is_young(tree(), PLANTED + timedelta(days=730))


def test_only_planted_woody_plants_in_the_ground_are_watered_by_age():
    assert young.is_young(tree(), PLANTED)
    assert young.is_young(tree(trunk_diameter_m=None), PLANTED)  # the catalogue says that a fig is woody
    assert not young.is_young(tree(), PLANTED - timedelta(days=1))
    assert not young.is_young(tree(planted=None), PLANTED)
    assert not young.is_young(tree(container_l=40.0, soil=None), PLANTED)
    lettuce = Plant("l", "Lettuce", "lettuce", canopy_m2=0.1, rank=1, planted=PLANTED, soil="loam")
    assert not young.is_young(lettuce, PLANTED)


def test_an_interval_needs_a_plant_date():
    with pytest.raises(ValueError, match="no plant date"):
        young.interval_d(tree(planted=None), PLANTED)
