"""How a short store is spent: ration."""

from __future__ import annotations

from datetime import date

from scheduler.report.answers.base import Answer


class RationPlantAnswer(Answer):
    """Litres within the days looked at, in the middle of the ways the weather may go. ``missed_share``: of
    its use without stress. ``at_risk_from``: it finds less than half of that from then on; None: not within
    them. ``from_soil_l``: what its soil lacks more at their end than today; below 0 it was filled."""

    id: str
    name: str
    rank: int
    wanted_l: float
    given_l: float
    missed_share: float
    at_risk_from: date | None
    from_soil_l: float


class RationWayAnswer(Answer):
    """``last_day``: on which this way can be followed in full; None: to the end of the days looked at."""

    way: str
    words: str
    given_l: float
    left_l: float
    last_day: date | None
    stress: float
    plants: list[RationPlantAnswer]


class RationRankAnswer(Answer):
    plant: str
    rank: int
    site_rank: int


class RationAnswer(Answer):
    """``short``: the store does not last, so ``chosen`` is followed. Days on which it would run short if
    every plant got all it wants; None: beyond the days looked at. ``asked``: a person chose."""

    garden: str
    today: date
    usable_l: float
    horizon_days: int
    through: date
    short: bool
    short_early: date | None
    short_middle: date | None
    short_late: date | None
    chosen: str
    default: str
    asked: bool
    reserve_released: bool
    ranks: list[RationRankAnswer]
    ways: list[RationWayAnswer]
    past_years: bool
