"""What the controller knows between two events. Frozen; a step returns a new one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Literal

from scheduler.agronomy.need import RootZone
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.alarms import AlarmMemory
from scheduler.control.clock import Now
from scheduler.control.effects import Effect, Intent, RecordChoice, RecordDay, RecordHold, RecordWaterDay
from scheduler.control.events import GardenTested, Request
from scheduler.control.orders import RefusalReason, ValveStatus
from scheduler.planning.garden import GardenModel
from scheduler.planning.past_years import PastWeather
from scheduler.planning.plan import Plan
from scheduler.planning.soaking import Begun
from scheduler.sensing.belief import UNKNOWN_LEVEL, LevelBelief
from scheduler.sensing.flow import FlowFactor, RestLevel, ZoneFlows, joined
from scheduler.sensing.leak import Leak
from scheduler.sensing.level import LevelTrack, fresh_track
from scheduler.site.copying import changed
from scheduler.site.model import Site

Phase = Literal["unheard", "at_rest", "ordered", "running", "unproven"]


@dataclass(frozen=True, slots=True)
class NodeView:
    """The node as last heard; how long ago that was is reckoned on the monotonic clock."""

    session: str
    uptime_ms: int
    heard_mono_s: float
    last_sequence: int
    valves: tuple[ValveStatus, ...]
    supply_mv: int | None = None
    closes_repeated: int = 0
    outcomes_dropped: int = 0
    refused_total: int = 0
    flow_pulses: int | None = None  # of a flow meter, counted since the node's start


@dataclass(frozen=True, slots=True)
class MeterBegin:
    """Where the flow meter stood as a run began: the node's session, its uptime then, its count."""

    session: str
    uptime_ms: int
    pulses: int


@dataclass(frozen=True, slots=True)
class OpenIntent:
    """An order whose end is not booked yet."""

    intent: Intent
    sent_mono_s: float
    seen_running: bool = False
    restored: bool = False  # from the store: what the node did meanwhile was not watched
    before: RestLevel | None = None  # the level at rest when it was ordered
    unreached: bool = False  # the node answers and does not know of it
    meter: MeterBegin | None = None  # where the flow meter stood when it began to open; None: not known

    def noted_unreached(self) -> OpenIntent:
        return replace(self, unreached=True)


@dataclass(frozen=True, slots=True)
class Proof:
    """A run that ended and is to be compared with the fall of the level."""

    order_id: str
    zone: str
    booked_l: float
    modelled_l: float  # at a flow factor of 1
    before: RestLevel
    ordered_at: datetime
    ended_mono_s: float
    ended_at: datetime
    book_day: date | None  # of the barrels' book that its litres stand in


@dataclass(frozen=True, slots=True)
class Opened:
    """An order by the plan that opened its valve, or may have: which zone, when it was made, for how long."""

    zone: str
    at: datetime
    open_s: float


@dataclass(frozen=True, slots=True)
class WaterDraw:
    """Water that left the barrels: when it began, litres at the most, by a run or by hand."""

    at: datetime
    litres: float
    by_run: bool


@dataclass(frozen=True, slots=True)
class WaterBook:
    """The barrels' water of the day that runs: at its start (None: not known) and moved since."""

    day: date | None = None
    start_l: float | None = None
    drawn_l: float = 0.0
    taken_l: float = 0.0
    added_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Saved:
    """What a shell restores from its store before the first step. All empty for a new garden."""

    open_intents: tuple[Intent, ...] = ()
    booked: frozenset[str] = frozenset()
    root_zones: tuple[RootZone, ...] = ()
    balanced_day: date | None = None  # the day at whose end ``root_zones`` stand
    # Where a balance that later rain mends begins: some days before ``balanced_day``, and the zones then.
    base: tuple[date, tuple[RootZone, ...]] | None = None
    given_l: tuple[tuple[date, str, float], ...] = ()  # local day, plant, litres; after the base
    flow_factors: tuple[tuple[str, FlowFactor], ...] = ()
    weather: tuple[DayWeather, ...] = ()
    outlook: Outlook | None = None
    level_offset_m: float = 0.0
    hand_level: tuple[datetime, float] | None = None  # the last level measured by hand
    stopped_by: str | None = None
    requests: tuple[Request, ...] = ()  # unanswered
    alarms: tuple[AlarmMemory, ...] = ()
    book: WaterBook = WaterBook()
    draws: tuple[WaterDraw, ...] = ()  # of the last days: a level measured before them is lowered by them
    water_days: tuple[RecordWaterDay, ...] = ()
    holds: tuple[RecordHold, ...] = ()
    choices: tuple[RecordChoice, ...] = ()  # the newest of each subject
    past: PastWeather | None = None  # weather of this place before the start, the more years the better
    rain_typed: tuple[tuple[date, float], ...] = ()
    plans: tuple[Plan, ...] = ()  # of today, in the order in which they were made
    opened: tuple[Opened, ...] = ()  # by them, the first of them first
    leak: Leak | None = None  # that the newest plan counted on


@dataclass(frozen=True)
class State:
    """No slots: a step copies it some ten times, and a copied ``__dict__`` is many times faster."""

    site: Site
    model: GardenModel
    phase: Phase = "unheard"
    node: NodeView | None = None
    connected: bool = False
    track: LevelTrack = field(default_factory=fresh_track)
    belief: LevelBelief = UNKNOWN_LEVEL
    last_known: LevelBelief | None = None
    issued: tuple[str, int] = (
        "",
        0,
    )  # session and sequence of the last order: no order id is ever used twice
    intents: tuple[OpenIntent, ...] = ()
    booked: tuple[str, ...] = ()  # order ids, the last of them last
    draws: tuple[WaterDraw, ...] = ()
    proof: Proof | None = None
    close_asked_mono_s: float | None = None
    closes_at_fault: int = 0  # closes sent to a valve that stayed in fault
    last_end_mono_s: float | None = None
    base_day: date | None = None
    base_zones: tuple[RootZone, ...] = ()
    zones_now: tuple[RootZone, ...] = ()
    balanced_day: date | None = None
    given_l: tuple[tuple[date, str, float], ...] = ()
    weather: tuple[DayWeather, ...] = ()
    outlook: Outlook | None = None
    rain_known: frozenset[date] = frozenset()  # days whose rain was told after they were over
    rain_typed: tuple[tuple[date, float], ...] = ()
    book: WaterBook = WaterBook()
    water_days: tuple[RecordWaterDay, ...] = ()  # the last closed ones, mended while their rain may be
    holds: tuple[RecordHold, ...] = ()  # the newest of each zone
    holds_before_test: tuple[RecordHold, ...] = ()  # those that the hold of the last test replaced
    choices: tuple[RecordChoice, ...] = ()  # the newest of each subject
    past: PastWeather | None = None
    plan: Plan | None = None
    plan_key: tuple[date, datetime | None, bool, frozenset[str]] | None = None
    rests: tuple[date, Mapping[str, Begun]] | None = None  # of runs begun before the plan was made
    days: tuple[RecordDay, ...] = ()  # as last recorded, so that only what changed is recorded again
    zones_done: frozenset[str] = frozenset()
    flow: ZoneFlows = field(default_factory=lambda: joined(()))
    leak: Leak | None = None  # from the rests between runs
    leak_watched_at: datetime | None = (
        None  # the newest reading when a rest was last looked at for a change of it
    )
    topped_up: frozenset[tuple[date, str]] = frozenset()  # zones whose interrupted run was made good, by day
    poor_runs: tuple[tuple[str, int], ...] = ()  # zone -> runs in a row that fell short (+) or over (-)
    alarms: tuple[AlarmMemory, ...] = ()
    stopped_by: str | None = None
    leaving: bool = False
    store_fault: str | None = None
    tested: GardenTested | None = None  # waits for the end of the run under way
    waiting: tuple[Request, ...] = ()
    confirm_stop: tuple[int, ...] = ()  # requests to stop that the node has not confirmed
    confirm_shut: tuple[int, ...] = ()  # the same of requests to end a test
    refused_mono_s: tuple[float, ...] = ()  # messages of strangers
    declined: tuple[tuple[float, RefusalReason], ...] = ()  # orders of ours that the node refused, and when
    came_late: tuple[str, ...] = ()  # orders that were booked as nothing, and then reached the node too late
    unreached: int = 0  # orders in a row that the node never knew of
    last_unreached: Intent | None = None  # the last of them
    broke_mono_s: tuple[float, ...] = ()  # when our own connection ended lately
    node_broke_mono_s: tuple[float, ...] = ()
    metered: frozenset[str] = frozenset()  # zones whose runs the flow meter counts
    records_lost: tuple[date, int] | None = None  # when the node last had to drop ended runs, and how many
    fetch_at_mono_s: float = 0.0
    asked_weather_mono_s: float = 0.0
    weather_fault: str | None = None
    ask_at_mono_s: float = 0.0
    silent_since_mono_s: float = 0.0
    unknown_since_mono_s: float = 0.0
    untrusted_clock_since_mono_s: float | None = None

    def flow_factor(self, zone: str) -> FlowFactor:
        return self.flow.factor(zone)

    def changed(self, fields: Mapping[str, object]) -> State:
        """A copy with these fields."""
        return changed(self, fields)


class Turn:
    """The work table of one step: the state as changed so far and the effects in order."""

    def __init__(self, state: State, now: Now) -> None:
        self.state = state
        self.now = now
        self.effects: list[Effect] = []
        self._local: datetime | None = None
        self._local_day: date | None = None

    def change(self, **fields: object) -> None:
        self.state = self.state.changed(fields)

    def emit(self, *effects: Effect) -> None:
        self.effects.extend(effects)

    @property
    def local(self) -> datetime:
        """Now by the garden's own clock."""
        if self._local is None:
            self._local = self.now.wall.astimezone(self.state.site.place.timezone)
        return self._local

    @property
    def local_day(self) -> date:
        if self._local_day is None:
            self._local_day = self.local.date()
        return self._local_day
