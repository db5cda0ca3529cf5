"""Everything the controller can be told. Values; the shell makes them, ``step`` consumes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from scheduler.agronomy.weather import Outlook
from scheduler.control.orders import Refusal, RunOutcome, ValveStatus
from scheduler.planning.garden import GardenModel
from scheduler.sensing.belief import LevelReading
from scheduler.sensing.flow import FlowFactor
from scheduler.site.model import Site


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed: a wake-up that was asked for, or the daemon's heartbeat."""


@dataclass(frozen=True, slots=True)
class NodeHeard:
    """An authentic state of the node. ``outcomes`` are those it still wants acknowledged."""

    node: str
    session: str
    uptime_ms: int
    last_sequence: int
    valves: tuple[ValveStatus, ...]
    outcomes: tuple[RunOutcome, ...] = ()
    refusals: tuple[Refusal, ...] = ()  # since the last state
    refused_total: int = 0
    supply_mv: int | None = None
    reset_cause: str | None = None
    reading: LevelReading | None = None
    closes_repeated: int = 0  # closes heard again, as from a recording
    outcomes_dropped: int = 0  # outcomes that the node had no room to keep
    flow_pulses: int | None = None  # of a flow meter, counted since the node's start; None: none is fitted
    rain_pulses: int | None = None  # the same of a rain gauge


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """The daemon's own connection to the broker."""

    connected: bool


@dataclass(frozen=True, slots=True)
class WeatherArrived:
    outlook: Outlook


@dataclass(frozen=True, slots=True)
class WeatherFailed:
    """A fetch failed for good (retries done); ``text`` says what and how to mend it."""

    text: str


RequestKind = Literal[
    "stop",
    "resume",
    "water",
    "measured",
    "took",
    "topped_up",
    "gave",
    "rained",
    "hold",
    "open_for",
    "shut",
    "ration",
    "rank",
    "reserve",
    "winter",
    "away",
    "care",
    "quiet",
]


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asked or told, already durable.

    ``subject``: zone or plant id, of ``rained`` the local day, of ``ration`` the way to spend the store, of
    ``reserve`` "released" (None: as the site file says), of ``winter`` the days "drained/back" (None: brought
    back now), of ``away`` the days "first/last" (None: at home), of ``care`` "TASK" or "TASK DAY", of
    ``quiet`` "KIND DAY" (without a day: told again); ``amount``: litres, metres of a level, mm of rain,
    hours of a hold, seconds of an opening for a test, or a rank (None: that of the site file).
    """

    id: int
    at: datetime
    who: str
    kind: RequestKind
    subject: str | None = None
    amount: float | None = None


@dataclass(frozen=True, slots=True)
class RequestMade:
    request: Request


@dataclass(frozen=True, slots=True)
class RainMeasured:
    """Rain of a past local day by the garden's own gauge."""

    day: date
    rain_mm: float


@dataclass(frozen=True, slots=True)
class GardenTested:
    """Tests at the garden said anew what its zones give: the garden as built, ready to plan with.

    ``flow`` names the zones whose learned flow begins again from the test.
    """

    site: Site
    model: GardenModel
    flow: tuple[tuple[str, FlowFactor], ...] = ()


@dataclass(frozen=True, slots=True)
class StoreFailed:
    """A record could not be made durable. No order may be sent that was not recorded."""

    text: str


@dataclass(frozen=True, slots=True)
class StoreRecovered:
    pass


@dataclass(frozen=True, slots=True)
class Leaving:
    """The daemon was asked to end; close everything, open nothing more."""


Event = (
    Tick
    | NodeHeard
    | LinkChanged
    | WeatherArrived
    | WeatherFailed
    | RequestMade
    | RainMeasured
    | GardenTested
    | StoreFailed
    | StoreRecovered
    | Leaving
)
