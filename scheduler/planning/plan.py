"""A watering plan and the reasons behind each number in it: values only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

ReasonCode = Literal[
    "due",  # the plant's readily available water is used up, or its age says so
    "not_due",
    "rain_credited",
    "rain_expected",
    "served_with_zone",  # not due itself, watered because its zone runs
    "run_time_from_level",
    "prime_time",
    "flow_corrected",  # a learned factor on the zone's flow
    "flow_doubt",  # how well the zone's flow is known
    "rationed",
    "reserve",  # cut short so as not to go below the reserve
    "worst_emitter",  # cut short at the level at which the worst emitter stops
    "window",  # cut or moved by the watering window
    "longest_open",  # cut by the node's longest opening
    "longest_day",  # cut by how long the node keeps a valve open in a day
    "level_unknown",
    "level_doubtful",
    "weather_estimated",
    "held",
    "drained",
    "stopped",
    "asked",  # a person asked for it
    "nothing_reaches",
    "held_back",  # ended for the sake of few plants that would get too much
    "out_of_reach",  # the water hardly reaches a due plant, though it reaches the rest of its zone
    "soaks_in",  # split into openings with pauses, so that no water runs off
    "since_watered",  # what the plants used and the rain brought since the last watering
    "would_change",  # what would have led to another plan
]

SourceOf = Literal["level", "forecast", "et0", "past_weather", "flow"]


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason as data, and the sentence a person reads. ``figures`` keep their unit in the key."""

    code: ReasonCode
    text: str
    figures: tuple[tuple[str, float | str], ...] = ()


@dataclass(frozen=True, slots=True)
class PlantShare:
    """What a plant wants and what a plan or a run gives it, in litres."""

    plant: str
    zone: str
    wanted_l: float
    given_l: float
    due: bool
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One opening of one zone's valve. ``volume_l`` is what leaves the tank; ``shares`` what plants get."""

    zone: str
    start: datetime  # UTC
    run_s: float  # fully-open equivalent, priming included, travel excluded
    volume_l: float
    level_start_m: float
    level_end_m: float
    shares: tuple[PlantShare, ...]
    reasons: tuple[Reason, ...]
    pulse: int = 1  # which of the ``pulses`` openings of one run, between which the water soaks in
    pulses: int = 1


@dataclass(frozen=True, slots=True)
class SkippedZone:
    zone: str
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class StoreOutlook:
    """How long the stored water lasts: usable litres now, and the days left (None: beyond the horizon)."""

    usable_l: float | None
    total_l: float | None
    days_left_early: int | None
    days_left_middle: int | None
    days_left_late: int | None
    horizon_days: int
    leak_l: float = 0.0  # litres a day that a known leak takes, counted in
    leak_sd_l: float | None = None  # one sd of it; None: whether there is a leak is not known


@dataclass(frozen=True, slots=True)
class PlanSource:
    """Where a figure of the plan came from, and the instant it stands for (None: not known)."""

    what: SourceOf
    source: str
    as_of: datetime | None


@dataclass(frozen=True, slots=True)
class Plan:
    """A day's plan. The same inputs give the same plan."""

    day: date  # local calendar day
    made_at: datetime  # UTC
    runs: tuple[PlannedRun, ...]
    skipped: tuple[SkippedZone, ...]
    shares: tuple[PlantShare, ...]  # every plant of the site, watered or not
    store: StoreOutlook
    reasons: tuple[Reason, ...] = ()
    sources: tuple[PlanSource, ...] = ()
