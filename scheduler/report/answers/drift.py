"""What runs show against the accepted curve of a zone: drift."""

from __future__ import annotations

from datetime import datetime

from scheduler.report.answers.base import Answer


class DriftZoneAnswer(Answer):
    """``index``: what the zone gives now over what its accepted curve says, at the reference level, with its
    95 % interval (value, low, high); null: too few runs. ``accepted_at`` null: never tested, so the curve is
    that of the drawing."""

    id: str
    accepted_at: datetime | None
    runs: int
    finding: str
    reference_level_m: float
    reference_head_m: float
    index: tuple[float, float, float] | None
    per_day: tuple[float, float, float] | None
    since: datetime | None
    step_share: tuple[float, float, float] | None
    step_lph: float | None
    leaves_band: datetime | None
    leaves_band_earliest: datetime | None
    leaves_band_latest: datetime | None
    text: str


class DriftCauseAnswer(Answer):
    what: str
    reason: str


class DriftTestAnswer(Answer):
    step: str
    zone: str


class DriftProposalAnswer(Answer):
    """``tests``: those that go with it, to find the fault or to accept a new curve."""

    action: str
    zone: str | None
    reason: str
    tests: list[DriftTestAnswer]


class DriftAnswer(Answer):
    id: str
    band_share: float
    zones: list[DriftZoneAnswer]
    cause: DriftCauseAnswer | None
    proposals: list[DriftProposalAnswer]
