"""Everything the controller can ask of its shell. Data, carried out strictly in the order given.

A shell makes the ``Record`` effects durable before it carries out the effect that follows them; when one
fails it drops the opening orders behind it (closes are still sent) and feeds ``StoreFailed`` back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from scheduler.agronomy.weather import DayWeather
from scheduler.control.orders import Order, RunOutcome
from scheduler.planning.plan import Plan
from scheduler.sensing.belief import LevelBelief, LevelReading

AlertKind = Literal[
    "near_empty",
    "runs_out",
    "out_of_reach",
    "run_short",
    "run_over",
    "valve_not_shut",
    "level_unknown",
    "level_doubtful",
    "node_silent",
    "forecast_stale",
    "order_refused",
    "order_declined",
    "order_unreached",
    "link_breaks",
    "run_interrupted",
    "clock_unknown",
    "store_failed",
    "supply_low",
    "water_lost",
    "records_lost",
    "frost",
    "winter_over",
    "care_due",
    "channel_dead",
]


@dataclass(frozen=True, slots=True)
class Alert:
    """Something a person must act on. ``subject``: the zone, or "" for the whole garden."""

    kind: AlertKind
    subject: str
    text: str  # garden, quantity, cause
    advice: str  # what to do, by when
    urgent: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class Intent:
    """An order with what the plan expected of it; recorded before the order is sent."""

    order: Order
    zone: str
    made_at: datetime
    level_m: float | None  # believed when the order was made
    planned_l: tuple[tuple[str, float], ...]  # plant -> litres
    volume_l: float
    asked_by: str | None = None  # a person's request, or None for the plan

    @property
    def for_test(self) -> bool:
        """Opened for a test at the garden: no plant is meant to get its water."""
        return not self.planned_l


@dataclass(frozen=True, slots=True)
class Booking:
    """Water given, once per order. ``given_l`` plant -> litres; the interval covers what is not known."""

    order_id: str
    zone: str
    day: date  # local calendar day
    at: datetime
    open_s: float
    outcome: RunOutcome | None  # None: the node never said, booked as the most that can have flowed
    given_l: tuple[tuple[str, float], ...]
    volume_l: float
    volume_low_l: float
    volume_high_l: float
    note: str = ""  # why it ended as it did, in words


@dataclass(frozen=True, slots=True)
class RootZoneRecord:
    """A plant's root zone at the end of a local day, and that day's fluxes in litres."""

    plant: str
    day: date
    depletion_mm: float
    wanted_l: float  # water used that rain did not bring: the day's need
    et0_mm: float
    et0_method: str
    rain_credited_l: float
    given_l: float
    stress: float  # 1 - Ks of FAO-56: 0 none, 1 nothing to draw


@dataclass(frozen=True, slots=True)
class RecordReading:
    reading: LevelReading
    belief: LevelBelief


@dataclass(frozen=True, slots=True)
class RecordIntent:
    intent: Intent


@dataclass(frozen=True, slots=True)
class RecordBooking:
    booking: Booking


@dataclass(frozen=True, slots=True)
class RecordPlan:
    plan: Plan


@dataclass(frozen=True, slots=True)
class RecordDay:
    """The water balance of a finished local day."""

    weather: DayWeather
    root_zones: tuple[RootZoneRecord, ...]


@dataclass(frozen=True, slots=True)
class RecordWaterDay:
    """The water of the barrels over one local day, litres; None where it is not known.

    ``start + caught + added - overflow - drawn - taken - leaked - end = rest``: water that nobody knows of.
    """

    day: date
    start_l: float | None
    end_l: float | None
    drawn_l: float  # through the valves: as the level proved it, else as booked
    taken_l: float  # by can or tap, as people told
    added_l: float  # topped up, as people told
    leak_l: float | None  # the learned leak over a day of barrels that hold water
    caught_l: float | None = None
    overflow_l: float | None = None
    rest_l: float | None = None
    rest_sd_l: float | None = None

    @property
    def leaked_l(self) -> float | None:
        """What the leak took: less than ``leak_l`` of barrels that stood empty, as the balance has it."""
        if self.leak_l is None or self.rest_l is None:
            return self.leak_l
        assert None not in (self.start_l, self.end_l, self.caught_l, self.overflow_l)
        came_l = (self.start_l or 0.0) + (self.caught_l or 0.0) + self.added_l
        went_l = (self.overflow_l or 0.0) + self.drawn_l + self.taken_l + (self.end_l or 0.0)
        return round(came_l - went_l - self.rest_l, 6) + 0.0  # no minus before a nothing


HandKind = Literal["took", "topped_up", "gave"]


@dataclass(frozen=True, slots=True)
class RecordHandWater:
    """Water that a person moved: taken from the barrels, added to them, or given to a plant by hand."""

    request_id: int
    day: date
    at: datetime
    kind: HandKind
    plant: str | None  # of what was given
    litres: float
    who: str


@dataclass(frozen=True, slots=True)
class RecordHold:
    """A zone is not watered until then: a person asked. ``until`` in the past ends an earlier hold."""

    zone: str
    until: datetime
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RecordChoice:
    """What a person chose: of "ration" the way, of "rank PLANT" the rank, of "reserve" kept or released; and
    what they told that holds until told otherwise: "winter", "away", "care TASK", "quiet KIND".
    ``value`` None: taken back, so that the default or the site file holds again."""

    subject: str
    value: str | None
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RecordRain:
    """Rain of a local day, typed by a person."""

    day: date
    rain_mm: float
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RecordLearning:
    """What the runs taught about a zone: factor on the modelled flow, its standard deviation, and the trend
    of its logarithm (per day, variance, covariance with the factor's logarithm; None: not kept)."""

    zone: str
    at: datetime
    flow_factor: float
    flow_factor_sd: float
    slope_per_day: float | None = None
    slope_var: float | None = None
    covariance: float | None = None


@dataclass(frozen=True, slots=True)
class RecordMeasured:
    """What the level says an order drew, beside what was booked; one standard deviation."""

    order_id: str
    zone: str
    at: datetime
    booked_l: float
    measured_l: float
    measured_sd_l: float


@dataclass(frozen=True, slots=True)
class RecordCalibration:
    """A hand-measured level: what is added to every level the sensor says from now on."""

    at: datetime
    offset_m: float
    level_m: float
    who: str


@dataclass(frozen=True, slots=True)
class RecordAnswer:
    """What became of a person's request. ``done`` False: it was refused, and ``text`` says why."""

    request_id: int
    at: datetime
    done: bool
    text: str


@dataclass(frozen=True, slots=True)
class RecordStop:
    """A person's stop (or its end); survives restarts."""

    stopped: bool
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class RaiseAlert:
    alert: Alert


@dataclass(frozen=True, slots=True)
class ClearAlert:
    kind: AlertKind
    subject: str
    at: datetime


@dataclass(frozen=True, slots=True)
class SendOrder:
    order: Order


@dataclass(frozen=True, slots=True)
class SendClose:
    """Close one channel, or all (None). Always obeyed by the node."""

    channel: int | None


@dataclass(frozen=True, slots=True)
class SendAsk:
    """Ask the node for its state."""


@dataclass(frozen=True, slots=True)
class SendReceipt:
    """The outcomes of these orders are booked; the node may forget them."""

    order_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FetchWeather:
    pass


@dataclass(frozen=True, slots=True)
class WakeAt:
    """Feed a ``Tick`` after so many seconds of monotonic time; a newer one replaces it."""

    in_s: float


@dataclass(frozen=True, slots=True)
class Note:
    """A line for the readable log."""

    text: str


Record = (
    RecordReading
    | RecordIntent
    | RecordBooking
    | RecordPlan
    | RecordDay
    | RecordWaterDay
    | RecordHandWater
    | RecordHold
    | RecordChoice
    | RecordRain
    | RecordLearning
    | RecordMeasured
    | RecordCalibration
    | RecordAnswer
    | RecordStop
    | RaiseAlert
    | ClearAlert
)
Effect = Record | SendOrder | SendClose | SendAsk | SendReceipt | FetchWeather | WakeAt | Note
