"""Many gardens, the most harm first: round."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer


class RoundTroubleAnswer(Answer):
    """``share_lost``: of the watering while it stands; ``plant_days``: lost by it within the coming week,
    troubles beside it apart; None: the roots are not known."""

    kind: str
    subject: str
    since: datetime | None
    urgent: bool
    text: str
    advice: str
    share_lost: float
    plant_days: float | None


class RoundGardenAnswer(Answer):
    """``standing``: "urgent", "trouble", "unknown" (nothing is heard of it, or it cannot be read) or "well".

    ``harm_plant_days`` = lost within the last week + at risk within the next; None: not known.
    ``harm_at_most``: of a silent garden, lost within the last week and at risk within the next, if nothing
    was watered since it was last heard of. ``as_of``: for which moment the rest holds; None: nothing is known
    of it. ``practice_over``: it is no garden, but a practice that was kept."""

    garden: str
    file: str
    note: str
    standing: str
    problem: str
    practice_over: bool = False
    as_of: datetime | None = None
    harm_plant_days: float | None = None
    harm_at_most: float | None = None
    lost_plant_days: float | None = None
    at_risk_plant_days: float | None = None
    plants: int | None = None
    level_m: float | None = None
    usable_l: float | None = None
    days_left_early: int | None = None
    days_left_middle: int | None = None
    days_left_late: int | None = None
    node_heard_at: datetime | None = None
    valves_shut: bool | None = None
    supply_v: float | None = None
    last_run_at: datetime | None = None
    cans_at: datetime | None = None  # the newest catch-can test
    tests_due: int | None = None
    never_tested: bool | None = None
    planned_at: datetime | None = None  # of the last plan, which says how long the water lasts
    drained_on: date | None = None  # for the winter; None: it is not
    care_due: list[str] = []
    troubles: list[RoundTroubleAnswer] = []
    parts: list[str] = []


class RoundPartAnswer(Answer):
    part: str
    gardens: list[str]


class RoundAnswer(Answer):
    """Gardens with the most harm first; ``bring``: parts for all of them."""

    at: datetime
    horizon_days: int
    gardens: list[RoundGardenAnswer]
    bring: list[RoundPartAnswer]
