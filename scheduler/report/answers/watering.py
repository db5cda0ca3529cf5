"""What is answered of a plan and of the reasons for it: plan, why."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer


class ReasonAnswer(Answer):
    code: str
    text: str
    figures: dict[str, float | str]


class PlannedOpeningAnswer(Answer):
    start: datetime
    run_s: float


class PlannedZoneAnswer(Answer):
    """``run_s`` and ``volume_l`` are those of all ``openings``, between which the water soaks in."""

    id: str
    start: datetime | None
    run_s: float
    volume_l: float
    reasons: list[ReasonAnswer]
    openings: list[PlannedOpeningAnswer] = []


class PlannedPlantAnswer(Answer):
    id: str
    zone: str
    wanted_l: float
    given_l: float


class PlanAnswer(Answer):
    day: date
    level_m: float | None
    zones: list[PlannedZoneAnswer]
    plants: list[PlannedPlantAnswer]
    usable_l: float | None
    days_left_early: int | None
    days_left_middle: int | None
    days_left_late: int | None


class WhyCauseAnswer(Answer):
    """``named``: of the rest, what it was, as far as the stored figures tell (cut, held_back, rationed, rain,
    plants_due, wanted, not_kept, not_told)."""

    cause: str
    change_s: float
    text: str
    named: list[str] = []


class WhyComparisonAnswer(Answer):
    """An earlier run of the zone and what made this one longer or shorter; the causes add up."""

    day: date
    before_s: float
    after_s: float
    causes: list[WhyCauseAnswer]


class WhyZoneAnswer(Answer):
    id: str
    name: str
    start: datetime | None
    run_s: float | None  # None: not watered by the plan
    volume_l: float | None
    booked_l: float | None  # what was booked that day; None: nothing yet
    reasons: list[ReasonAnswer]
    would_change: list[ReasonAnswer]
    compared: WhyComparisonAnswer | None
    orders: list[str] = []  # in words, of orders that opened nothing or ended before their time


class WhyPlantAnswer(Answer):
    id: str
    name: str
    zone: str
    wanted_l: float
    planned_l: float
    booked_l: float
    reasons: list[ReasonAnswer]


class WhySourceAnswer(Answer):
    what: str
    source: str
    as_of: datetime | None
    age_h: float | None  # when the plan was made


class WhyAnswer(Answer):
    garden: str
    day: date
    made_at: datetime
    zones: list[WhyZoneAnswer]
    plants: list[WhyPlantAnswer]
    reasons: list[ReasonAnswer]  # of the plan as a whole
    sources: list[WhySourceAnswer]
