"""Days of a garden that are over: report, litres."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer
from scheduler.report.answers.drift import DriftZoneAnswer


class ReportedDayAnswer(Answer):
    """A finished day; None where it is not known. ``watered_l`` and ``minutes`` by zone."""

    date: date
    rain_mm: float | None
    et0_mm: float | None
    caught_l: float | None
    overflow_l: float | None
    added_l: float
    taken_l: float
    leak_l: float | None  # what it took
    leak_l_day: float | None = None  # what it takes of barrels that hold water all day
    held_l: float | None  # above the outlet, at its end
    watered_l: dict[str, float]
    minutes: dict[str, float]
    short: list[str] | None


class ReportedPlantAnswer(Answer):
    id: str
    name: str
    used_l: float | None  # of which rain brought rain_l
    rain_l: float | None
    given_l: float | None
    days_short: int | None


class ReportedRunAnswer(Answer):
    """One watering. ``level_m``: believed when it began."""

    at: datetime
    zone: str
    level_m: float | None
    minutes: float
    volume_l: float
    volume_low_l: float
    volume_high_l: float
    note: str


class ReportedFaultAnswer(Answer):
    at: datetime
    cleared_at: datetime | None
    kind: str
    text: str
    subject: str = ""  # a zone or a plant, where the kind is of one


class ReportedCareAnswer(Answer):
    at: datetime
    who: str
    step: str
    zone: str | None


class WorthChangingAnswer(Answer):
    """A change worth making, and what speaks for it."""

    change: str
    evidence: str


class ReportedFlowAnswer(Answer):
    """``index``: what a zone gave in a month over what its curve says, by the fall of the level, with its
    95 % interval (value, low, high). ``month``: its first day."""

    zone: str
    month: date
    runs: int
    index: tuple[float, float, float]


class ReportedEvennessAnswer(Answer):
    """Low-quarter uniformity by emitter that catch cans found, with its 95 % interval (value, low, high)."""

    zone: str
    at: datetime
    du: tuple[float, float, float]


class ReportAnswer(Answer):
    """Some days of a garden. Litres are sums over the days on which each is known; None: it is known of no
    day. ``topped_up_l`` and ``taken_l``: as people told. ``rain_share``: the part of what plants used that
    rain brought to their roots."""

    garden: str
    first: date
    last: date
    known_days: int
    used_l: float | None
    rain_l: float | None
    rain_share: float | None
    given_l: float | None
    caught_l: float | None
    overflow_l: float | None
    topped_up_l: float
    taken_l: float
    leak_l: float | None
    days: list[ReportedDayAnswer]
    plants: list[ReportedPlantAnswer]
    runs: list[ReportedRunAnswer]
    flow: list[DriftZoneAnswer]
    flow_by_month: list[ReportedFlowAnswer] = []
    evenness: list[ReportedEvennessAnswer] = []
    care: list[ReportedCareAnswer]
    faults: list[ReportedFaultAnswer]
    worth_changing: list[WorthChangingAnswer]
    credits: list[str]


class PlantLitresAnswer(Answer):
    """A plant over some days; None where no day of it is balanced yet. ``worst_shortfall``: 0 to 1."""

    id: str
    name: str
    days: int
    used_l: float | None  # what it used and that day's rain did not bring
    given_l: float | None
    rain_l: float | None
    days_short: int | None
    worst_shortfall: float | None
    last_short: date | None
    # What it would have used beside that on its short days; None also if it was newly planted on one of them.
    missed_l: float | None = None


class LitresAnswer(Answer):
    garden: str
    first: date | None
    last: date | None
    plants: list[PlantLitresAnswer]
