"""A season in virtual time: rehearse."""

from __future__ import annotations

from datetime import date, datetime

from pydantic import ConfigDict

from scheduler.report.answers.base import Answer


class SeasonPlantAnswer(Answer):
    """``counted_days``: the days that its litres are of; None: not told."""

    model_config = ConfigDict(frozen=True, extra="allow")

    id: str
    zone: str
    wanted_l: float
    planned_l: float
    given_l: float
    fixed_timer_l: float
    need_error: float | None
    delivery_error: float | None
    fixed_timer_error: float | None
    counted_days: int | None = None


class SeasonZoneAnswer(Answer):
    """``withheld_from``: the first day on which rationing gave it less than its plants want; from then on its
    days do not count."""

    model_config = ConfigDict(frozen=True, extra="allow")

    id: str
    planned_l: float
    given_l: float
    delivery_error: float | None
    runs: int
    withheld_from: date | None = None


class StoreDayAnswer(Answer):
    date: date
    usable_l: float


class SeasonAlertAnswer(Answer):
    """``days_before_floor``: of a warning of the water's end, the days it came before it."""

    at: datetime
    kind: str
    text: str
    days_before_floor: float | None = None


class RehearsedDayAnswer(Answer):
    """A day as it truly was; ``short``: plants that drew less than they could use, None: not balanced yet."""

    date: date
    rain_mm: float | None
    et0_mm: float
    watered_l: dict[str, float]  # by zone
    usable_l: float
    short: list[str] | None


class RehearseAnswer(Answer):
    model_config = ConfigDict(frozen=True, extra="allow")

    plants: list[SeasonPlantAnswer]
    zones: list[SeasonZoneAnswer] = []
    worst_need_error: float | None
    worst_delivery_error: float | None
    fixed_timer_worst_error: float | None
    store: list[StoreDayAnswer]
    days: list[RehearsedDayAnswer] = []
    alerts: list[SeasonAlertAnswer]
    rules_broken: list[str]
