"""What the commands answer to a program: one object each, whose schema ``fallinghead schema NAME`` prints.

These names and shapes are kept stable; keys may be added.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict


class Answer(BaseModel):
    # The schema of an answer is built when it is first used: a command needs a few of them.
    model_config = ConfigDict(frozen=True, defer_build=True)

    def as_json(self) -> str:
        return self.model_dump_json(indent=2)


class ExampleAnswer(Answer):
    name: str
    summary: str


class ExamplesAnswer(Answer):
    examples: list[ExampleAnswer]


class ProblemAnswer(Answer):
    file: str
    line: int | None
    key: str
    read: str
    remedy: str


class CheckAnswer(Answer):
    """``doubts``: sentences about what looks like a slip of the pen in a file without mistakes."""

    ok: bool
    problems: list[ProblemAnswer]
    doubts: list[str] = []


class EmitterAnswer(Answer):
    """``weakens_m``, ``stops_m``: None where it gets nothing even from full barrels. ``head_parts_m`` add up
    to the static head."""

    id: str
    plant: str | None
    head_m: float
    flow_lph: float
    weakens_m: float | None = None
    stops_m: float | None = None
    static_head_m: float | None = None
    head_parts_m: dict[str, float] = {}


class PlantSurveyAnswer(Answer):
    id: str
    flow_lph: float
    weakens_m: float | None
    stops_m: float | None


class ZoneSurveyAnswer(Answer):
    id: str
    flow_lph: float
    du_low_quarter: float | None
    worst_emitter_stops_m: float | None
    dead_storage_l: float | None
    emitters: list[EmitterAnswer]
    plants: list[PlantSurveyAnswer] = []
    du_per_litre_wanted: float | None = None
    uniformity_class: str | None = None  # of du_per_litre_wanted
    emission_uniformity: float | None = None
    statistical_uniformity: float | None = None
    du_low_quarter_emitters: float | None = None
    prime_s: float | None = None
    prime_volume_l: float | None = None
    link_gap_m: float | None = None
    flow_share_at_5c: float | None = None
    flow_share_at_30c: float | None = None
    longest_laterals_m: dict[str, float] = {}  # by line, for a spread of flow of a tenth


class AdviceAnswer(Answer):
    kind: str
    zone: str | None
    changes: list[str]
    hours: float
    gain: float
    evenness_before: float
    evenness_after: float
    reach_before: float
    reach_after: float
    worst_plant: str | None = None  # least served as it is, at half
    worst_lph_before: float | None = None
    worst_lph_after: float | None = None
    dry_after: list[str] = []  # plants that get nothing at half


class SurveyAnswer(Answer):
    level_m: float
    zones: list[ZoneSurveyAnswer]
    findings: list[str]
    advice: list[AdviceAnswer] | None = None  # None: not asked for
    pictures: list[str] | None = None  # the files drawn


class PlantSideAnswer(Answer):
    id: str
    flows_lph: list[float]  # at full, half and low
    stops_m: float | None


class ZoneSideAnswer(Answer):
    id: str
    du_low_quarter: list[float | None]  # at full, half and low
    dead_storage_l: float


class GardenSideAnswer(Answer):
    name: str
    levels_m: list[float]
    full_l: float
    plants: list[PlantSideAnswer]
    zones: list[ZoneSideAnswer]


class CompareAnswer(Answer):
    """Two gardens, what was asked about first as it is."""

    before: GardenSideAnswer
    after: GardenSideAnswer
    changes: list[str]


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


class SeasonPlantAnswer(Answer):
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
    coming: list[ComingRunAnswer] = []
    winter: StatusWinterAnswer | None = None  # None: not drained
    away: StatusAwayAnswer | None = None
    care_due: list[CareDueAnswer] = []
    drift: list[DriftZoneAnswer] = []  # each zone's runs against its curve, as ``drift`` has it


class WhyCauseAnswer(Answer):
    cause: str
    change_s: float
    text: str


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


class KindAnswer(Answer):
    """A kind of plant. ``use_share``: of the reference evapotranspiration, at its thirstiest."""

    key: str
    names: list[str]
    use_share: float | None
    root_depth_m: float
    readily_available_share: float
    young_woody: bool
    source: str


class KindsAnswer(Answer):
    kinds: list[KindAnswer]


class VisitAnswer(Answer):
    """Somebody tops up in the evening of that day."""

    day: date
    volume_l: float


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


class ReportedDayAnswer(Answer):
    """A finished day; None where it is not known. ``watered_l`` and ``minutes`` by zone."""

    date: date
    rain_mm: float | None
    et0_mm: float | None
    caught_l: float | None
    overflow_l: float | None
    added_l: float
    taken_l: float
    leak_l: float | None
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


class ReportedCareAnswer(Answer):
    at: datetime
    who: str
    step: str
    zone: str | None


class WorthChangingAnswer(Answer):
    """A change worth making, and what speaks for it."""

    change: str
    evidence: str


class ReportAnswer(Answer):
    """Some days of a garden. Litres are sums over the days that are known. ``rain_share``: the part of what
    plants used that rain brought to their roots."""

    garden: str
    first: date
    last: date
    known_days: int
    used_l: float
    rain_l: float
    rain_share: float | None
    given_l: float
    caught_l: float
    overflow_l: float
    topped_up_l: float
    taken_l: float
    leak_l: float
    days: list[ReportedDayAnswer]
    plants: list[ReportedPlantAnswer]
    runs: list[ReportedRunAnswer]
    flow: list[DriftZoneAnswer]
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


class LitresAnswer(Answer):
    garden: str
    first: date | None
    last: date | None
    plants: list[PlantLitresAnswer]


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


class RationPlantAnswer(Answer):
    """Litres within the days looked at, in the middle of the ways the weather may go. ``missed_share``: of
    its use without stress. ``at_risk_from``: it finds less than half of that from then on; None: not within
    them."""

    id: str
    name: str
    rank: int
    wanted_l: float
    given_l: float
    missed_share: float
    at_risk_from: date | None


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
    ``harm_at_most``: of a silent garden, if nothing was watered since it was last heard of. ``as_of``: for
    which moment the rest holds; None: nothing is known of it."""

    garden: str
    file: str
    note: str
    standing: str
    problem: str
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


class CareTaskAnswer(Answer):
    """A task of care: when last done and when due; None: never told, or only when there is cause."""

    task: str
    words: str
    every_days: int | None
    last: date | None
    due: date | None


class CareAnswer(Answer):
    garden: str
    today: date
    tasks: list[CareTaskAnswer]


class DayTaskAnswer(Answer):
    """Something to be done on a day while the household is away, or just before."""

    day: date
    task: str  # "top_up", "by_hand" or "care"
    words: str


class AwayAnswer(Answer):
    """``first`` None: nobody said that they are away. ``lasts``: whether the water lasts to the end in nine
    of ten ways of the weather with what the tasks bring; None: not known. ``why_not_known`` says why."""

    garden: str
    today: date
    first: date | None
    last: date | None
    lasts: bool | None
    why_not_known: str
    tasks: list[DayTaskAnswer]


class ToldAnswer(Answer):
    """What became of telling one person of one thing."""

    at: datetime
    person: str
    kind: str
    text: str
    status: str


class PutOffAnswer(Answer):
    kind: str
    until: date


class MessagesAnswer(Answer):
    garden: str
    standing: list[StatusAlertAnswer]
    put_off: list[PutOffAnswer]
    told: list[ToldAnswer]


class CalendarEntryAnswer(Answer):
    """A run of the plan has ``start`` and ``end``; all else is whole local days, ``first`` to ``last``.

    ``kind``: "run", "foreseen", "runs_short", "care", "stopped" or "drained". ``uid`` stays while the entry
    changes."""

    uid: str
    kind: str
    title: str
    words: str
    start: datetime | None
    end: datetime | None
    first: date | None
    last: date | None
    certain: bool


class CalendarAnswer(Answer):
    garden: str
    timezone: str
    revised_at: datetime
    entries: list[CalendarEntryAnswer]


SCHEMAS: Mapping[str, type[Answer]] = {
    "ahead": AheadAnswer,
    "away": AwayAnswer,
    "care": CareAnswer,
    "messages": MessagesAnswer,
    "hindsight": HindsightAnswer,
    "report": ReportAnswer,
    "balance": BalanceAnswer,
    "calendar": CalendarAnswer,
    "check": CheckAnswer,
    "commission": DoneAnswer,
    "commission-list": StepsAnswer,
    "drift": DriftAnswer,
    "examples": ExamplesAnswer,
    "litres": LitresAnswer,
    "plan": PlanAnswer,
    "plants": KindsAnswer,
    "ration": RationAnswer,
    "rehearse": RehearseAnswer,
    "request": RequestAnswer,
    "round": RoundAnswer,
    "sheet": SheetAnswer,
    "status": StatusAnswer,
    "survey": SurveyAnswer,
    "what-if": CompareAnswer,
    "winter": WinterAnswer,
    "why": WhyAnswer,
}
