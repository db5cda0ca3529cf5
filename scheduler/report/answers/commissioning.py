"""A garden as tested: commission, sheet."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from scheduler.report.answers.base import Answer


class QuestionAnswer(Answer):
    """``refused``: it cannot be, and is not taken."""

    about: str
    refused: bool
    text: str


class DoneAnswer(Answer):
    """A test that was taken. ``result``: the figures of its analysis, None where there is nothing to work
    out."""

    id: int
    step: str
    zone: str | None
    at: datetime
    who: str
    questions: list[QuestionAnswer]
    findings: list[str]
    result: dict[str, Any] | None


class StepAnswer(Answer):
    """``state``: due, stale, done or open. ``why``: of what is due, or what changed."""

    step: str
    zone: str | None
    state: str
    why: str
    record: int | None
    at: datetime | None
    who: str | None


class StepsAnswer(Answer):
    store: str
    half_done: str | None
    steps: list[StepAnswer]
    doubts: list[str]


class SheetCurveAnswer(Answer):
    """A zone's flow at a level, with its 95 % interval; ``last_lph`` at the visit before, None: no test."""

    level_m: float
    flow_lph: float
    low_lph: float
    high_lph: float
    tested: bool
    last_lph: float | None


class SheetCanAnswer(Answer):
    """``share``: of what it should give as drawn, the whole zone's factor taken off."""

    emitter: str
    plant: str | None
    volume_l: float | None
    flow_lph: float | None
    share: float | None
    finding: str
    last_lph: float | None


class SheetEvennessAnswer(Answer):
    """``of``: "emitter", "plant" or "litre wanted"; ``du`` low-quarter uniformity with its 95 % interval."""

    of: str
    du: float
    du_low: float
    du_high: float
    emission_uniformity: float
    statistical_uniformity: float | None
    grade: str
    last_du: float | None


class SheetTestAnswer(Answer):
    """A newest test in words. ``stale``: what changed since, in words; empty: nothing."""

    record: int
    step: str
    zone: str | None
    at: datetime
    who: str
    note: str
    verdict: str
    stale: str
    last_at: datetime | None
    last_verdict: str | None


class SheetZoneAnswer(Answer):
    """``k_lph`` and ``x`` of ``q = k h^x`` with their intervals (value, low, high), from the head-flow test;
    None: none was done. Heads are metres over the zone's mean outlet."""

    id: str
    name: str
    k_lph: tuple[float, float, float] | None
    x: tuple[float, float, float] | None
    x_measured: bool
    head_min_m: float | None
    head_max_m: float | None
    curve: list[SheetCurveAnswer]
    cans_level_m: float | None
    cans: list[SheetCanAnswer]
    evenness: list[SheetEvennessAnswer]
    turns: list[str]
    tests: list[SheetTestAnswer]


class SheetDueAnswer(Answer):
    step: str
    zone: str | None
    reason: str


class SheetAnswer(Answer):
    id: str
    name: str
    printed: date
    tested_from: datetime | None
    tested_to: datetime | None
    last_time: datetime | None  # newest test before this visit
    people: list[str]
    brim_level_m: float
    full_l: float
    reserve_l: float
    tests: list[SheetTestAnswer]
    zones: list[SheetZoneAnswer]
    advice: list[str]
    cautions: list[str]
    drift: list[str]  # of each zone with runs enough since its test
    due: list[SheetDueAnswer]
    doubts: list[str]
