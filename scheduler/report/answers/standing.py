"""How a garden stands, and what became of what a person asked: status, winter, requests."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer
from scheduler.report.answers.drift import DriftZoneAnswer


class RequestAnswer(Answer):
    request: int
    kind: str
    answered: bool
    done: bool | None
    text: str
    confirmed: bool | None  # of a stop: whether the node says that every valve is shut


class StatusPlantAnswer(Answer):
    id: str
    name: str
    depletion_mm: float | None
    given_today_l: float


class StatusAlertAnswer(Answer):
    kind: str
    subject: str
    since: datetime
    text: str
    advice: str


class StatusHoldAnswer(Answer):
    zone: str
    until: datetime
    who: str


class StatusStoppedAnswer(Answer):
    """A zone that is due and not watered, for the water does not reach ``plants`` (none: a high place of its
    line stops it). ``since``: the first day on which it was so; ``or_earlier``: or some day before that."""

    zone: str
    plants: list[str]
    since: date
    or_earlier: bool = False


class StatusLeakAnswer(Answer):
    """What leaves the barrels a day while every valve is shut, as the plans count on it. ``since``: the first
    day on which they did; None: no leak of ``below_l_day`` or more shows. ``or_earlier``: or some day before
    that."""

    l_day: float
    since: date | None
    or_earlier: bool = False
    below_l_day: float | None = None  # None: a leak shows


class WinterValveAnswer(Answer):
    """A valve against the place it is to winter in; ``proven`` None: not known."""

    zone: str
    wanted: str
    proven: bool | None
    words: str


class StatusWinterAnswer(Answer):
    """Of a garden drained for the winter. ``back_on``: when it is meant to be back; None: not said."""

    drained_on: date
    back_on: date | None
    who: str
    valves: list[WinterValveAnswer]


class FrostAheadAnswer(Answer):
    """Of the days the forecast knows, ``through`` the last of them. ``frost_on`` None: none with frost."""

    through: date
    coldest_on: date
    coldest_c: float
    frost_on: date | None


class WinterAnswer(Answer):
    """``drained`` None: it is not drained. ``frost`` None: no fresh forecast, or drained already."""

    garden: str
    drained: StatusWinterAnswer | None
    frost: FrostAheadAnswer | None = None


class StatusAwayAnswer(Answer):
    first: date
    last: date
    who: str


class CareDueAnswer(Answer):
    """``since``: the day from which it is due; ``last``: when it was last done, None: never told."""

    task: str
    words: str
    since: date
    last: date | None


class ComingRunAnswer(Answer):
    """A zone's next watering as far as can be foreseen."""

    zone: str
    day: date
    volume_l: float


class StatusAnswer(Answer):
    garden: str
    at: datetime
    daemon_running: bool
    practice_over: bool = False  # the kept store of a practice: as it stood then, with no valve behind it
    node_heard_at: datetime | None
    valves_shut: bool | None
    stopped_by: str | None
    level_m: float | None
    level_low_m: float | None
    level_high_m: float | None
    level_quality: str
    level_at: datetime | None
    total_l: float | None
    usable_l: float | None
    days_left_early: int | None
    days_left_middle: int | None
    days_left_late: int | None
    next_zone: str | None
    next_start: datetime | None
    next_run_s: float | None
    last_zone: str | None
    last_at: datetime | None
    last_volume_l: float | None
    plants: list[StatusPlantAnswer]
    alerts: list[StatusAlertAnswer]
    waiting_requests: int
    weather_source: str | None = None
    weather_fetched_at: datetime | None = None
    weather_credits: list[str] = []
    et0_today_mm: float | None = None  # with its 10 to 90 % interval; None while a fresh forecast tells it
    et0_today_low_mm: float | None = None
    et0_today_high_mm: float | None = None
    et0_today_from: str | None = None
    level_by_hand: bool | None = None  # the level is a person's measure; None: no level is known
    held: list[StatusHoldAnswer] = []
    leak: StatusLeakAnswer | None = None  # None: not known
    stopped: list[StatusStoppedAnswer] = []  # by a level too low for one of its plants
    coming: list[ComingRunAnswer] = []
    winter: StatusWinterAnswer | None = None  # None: not drained
    away: StatusAwayAnswer | None = None
    care_due: list[CareDueAnswer] = []
    drift: list[DriftZoneAnswer] = []  # each zone's runs against its curve, as ``drift`` has it
