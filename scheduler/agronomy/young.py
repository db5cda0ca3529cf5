"""Newly planted trees and shrubs: watered by age and trunk, whatever the weather asks, until established.

Their roots still sit in the nursery's ball, so the root-zone balance of the whole canopy says little.
Arboretum and extension advice: daily for two weeks, every two to three days to the twelfth week, then weekly
until established in one to two years; each time 1 to 1.5 US gallons per inch of trunk. Rain replaces a
watering.
"""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.agronomy.coefficients import kind_of
from scheduler.site.model import Plant

# Days after planting up to which each interval holds, and the interval in days.
DAILY_UNTIL_D, DAILY_EVERY_D = 14, 1.0
# "Every 2-3 days": the longer, since other advice is content with one or two a week by then.
OFTEN_UNTIL_D, OFTEN_EVERY_D = 84, 3.0
THEN_EVERY_D = 7.0
# 1 to 1.5 gal per inch of trunk; the middle. US gallon and inch by definition.
DOSE_L_PER_M = 1.25 * 3.785412 / 0.0254
# "Established in 1-2 years": the middle, where the owner gave no date.
ESTABLISHED_AFTER = timedelta(days=548)
# A usual nursery trunk, one inch, where none was measured (common practice, no source).
TRUNK_ASSUMED_M = 0.0254
# A missed watering is made up for, a second one not: no flood after a drought (common practice, no source).
DOSES_OWED_MAX = 2.0


def is_young(plant: Plant, day: date) -> bool:
    """Whether the plant is watered by age on that day: woody, planted, and not yet established."""
    if plant.planted is None or day < plant.planted or plant.container_l is not None:
        return False
    if plant.trunk_diameter_m is None and not kind_of(plant).young_woody:
        return False
    return day < (plant.established or plant.planted + ESTABLISHED_AFTER)


def dose_l(plant: Plant) -> float:
    """Litres of one watering, at the ground."""
    return DOSE_L_PER_M * (plant.trunk_diameter_m or TRUNK_ASSUMED_M)


def interval_d(plant: Plant, day: date) -> float:
    """Days between waterings at that age. ValueError for a plant without a plant date."""
    if plant.planted is None:
        raise ValueError(f"plant {plant.id!r} has no plant date, so it cannot be watered by age")
    age = (day - plant.planted).days
    if age < DAILY_UNTIL_D:
        return DAILY_EVERY_D
    return OFTEN_EVERY_D if age < OFTEN_UNTIL_D else THEN_EVERY_D


def daily_dose_l(plant: Plant, day: date) -> float:
    """The dose spread over its interval, so that days without rain add up to the doses."""
    return dose_l(plant) / interval_d(plant, day)


def is_due(plant: Plant, day: date, owed_l: float) -> bool:
    """Whether a dose is due: what is owed has come within half a day's part of a whole dose."""
    return owed_l >= dose_l(plant) * (1.0 - 0.5 / interval_d(plant, day))
