"""The barrels' water, days gone and weeks ahead: balance, ahead, hindsight."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.report.answers.base import Answer
from scheduler.report.answers.standing import ComingRunAnswer


class WaterDayAnswer(Answer):
    """A closed day of the barrels, litres; None where it is not known. ``rest_l`` is what nobody accounts
    for."""

    day: date
    start_l: float | None
    caught_l: float | None
    added_l: float
    overflow_l: float | None
    drawn_l: float
    taken_l: float
    leak_l: float | None
    end_l: float | None
    rest_l: float | None
    rest_sd_l: float | None
    beyond_chance: bool | None


class BalanceAnswer(Answer):
    garden: str
    days: list[WaterDayAnswer]


class VisitAnswer(Answer):
    """Somebody tops up in the evening of that day; ``at_once``: now, for the evening is too late."""

    day: date
    volume_l: float
    at_once: bool = False


class RoomAnswer(Answer):
    """What a zone's roots could take now without any draining away."""

    zone: str
    volume_l: float


class AheadAnswer(Answer):
    """The weeks ahead. ``days_left_*``: whole days that can be watered; None: beyond the horizon.

    ``top_up_l``: litres to add now to last through ``until`` in nine of ten ways of the weather; None: even
    full barrels do not. ``visits``: instead of that, as late as is safe; None: it would take somebody every
    day. ``rain_gives_l``: what the roof brings through ``until``, at least in nine of ten ways, and in the
    middle. ``runs_over_l``: litres that run over within ``runs_over_days`` in seven of ten.
    ``top_up_cost``: in the money of the price that was named.
    """

    garden: str
    today: date
    total_l: float
    usable_l: float
    days_left_early: int | None
    days_left_middle: int | None
    days_left_late: int | None
    horizon_days: int
    until: date
    chance_through: float
    top_up_l: float | None
    top_up_cost: float | None = None
    visits: list[VisitAnswer] | None = []
    rain_gives_least_l: float = 0.0
    rain_gives_middle_l: float = 0.0
    runs_over_l: float
    runs_over_days: int
    could_take: list[RoomAnswer] = []
    coming: list[ComingRunAnswer] = []
    forecast_source: str | None = None
    forecast_fetched_at: datetime | None = None
    forecast_credits: list[str] = []
    past_years: bool
    leak_l_day: float  # a known leak, which is counted in


class PastSummerAnswer(Answer):
    first: date
    last: date
    wanted_l: float
    short_l: float
    days_short: int
    caught_l: float
    overflow_l: float


class ChangedGardenAnswer(Answer):
    """The garden with one change (None: as it is) under each past summer."""

    change: str | None
    summers: list[PastSummerAnswer]


class HindsightAnswer(Answer):
    garden: str
    gardens: list[ChangedGardenAnswer]
