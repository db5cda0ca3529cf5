"""The garden as data: what a site file describes, checked and in SI.

Heights are metres above one datum that the fitter chose (the paving, a peg); along the lines a point is
given by its drop below the barrel outlet, as a level or a clear hose measures it. A *level* is the height
of the water surface above the outlet. So the static head at a point is ``level_m + drop_m``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from typing import Literal
from zoneinfo import ZoneInfo

from scheduler.site.catalogue import PlantKind

BarrelShape = Literal["upright", "lying", "box", "taper", "table"]
EmitterForm = Literal["bubbler", "inline"]
SensorKind = Literal["echo", "pressure", "float"]
ForecastService = Literal["open-meteo", "met-norway", "us-weather", "file"]
DisplayUnits = Literal["metric", "us"]


@dataclass(frozen=True, slots=True)
class GardenPlace:
    """Where the garden is, for the sun, the weather and the calendar."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    timezone: ZoneInfo
    coastal: bool = False  # FAO-56 Eq 50: kRs 0.19 instead of 0.16
    arid: bool = False  # FAO-56 ch. 3: dew point 2 degC below Tmin


@dataclass(frozen=True, slots=True)
class Barrel:
    """One barrel, inside measures. ``height_m`` is the water depth at which it overflows, above the middle
    of the bottom, which lies at ``base_height_m``."""

    id: str
    shape: BarrelShape
    base_height_m: float
    height_m: float
    diameter_m: float | None = None  # upright, lying; taper: at its bottom
    length_m: float | None = None  # lying and box
    width_m: float | None = None  # box
    top_diameter_m: float | None = None  # taper: at the overflow
    middle_diameter_m: float | None = None  # taper with a bulge: half way between
    table: tuple[tuple[float, float], ...] = ()  # shape table: depth (m), litres, both rising
    tilt_m: float = 0.0  # by how much one side of the bottom stands higher than the other


@dataclass(frozen=True, slots=True)
class BarrelLink:
    """The joint between neighbouring barrels, which are listed in order from the outlet."""

    bore_m: float
    length_m: float
    loss_k: float = 3.0


@dataclass(frozen=True, slots=True)
class Tank:
    """All linked barrels, drawn at one outlet. ``barrels[0]`` carries the outlet."""

    barrels: tuple[Barrel, ...]
    outlet_height_m: float
    link: BarrelLink | None = None  # None: one barrel, or a joint too wide to matter
    measured: tuple[tuple[float, float], ...] = ()  # level, litres above the outlet, by pouring; wins


@dataclass(frozen=True, slots=True)
class Roof:
    catchment_m2: float
    runoff_coefficient: float
    first_flush_mm: float


@dataclass(frozen=True, slots=True)
class LevelSensor:
    """A level sensor at the valve node. ``mount_height_m`` is the height above the datum of the echo face,
    of the pressure cell, or of the water surface at which a float reads zero counts."""

    kind: SensorKind
    barrel: str
    mount_height_m: float
    scale_m: (
        float | None
    )  # metres per raw count; None for an echo sensor (raw = microseconds, there and back)
    noise_m: float  # one standard deviation of a single ping
    blanking_m: float = 0.0  # echo: blind closer than this
    interval_s: float = 300.0


@dataclass(frozen=True, slots=True)
class Emitter:
    """One outlet: ``q = coefficient_lph * head_m ** exponent``, nothing below the activation head."""

    id: str
    form: EmitterForm
    plant: str | None
    coefficient_lph: float  # L/h at 1 m of head
    exponent: float
    spread: float = 0.05  # manufacturer's coefficient of variation
    activation_head_m: float = 0.0
    head_min_m: float | None = None  # range of heads in which the curve was measured; None: never measured
    head_max_m: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A surveyed place: distance from the line's start, drop below the outlet, what sits there."""

    at_m: float
    drop_m: float
    emitters: tuple[Emitter, ...] = ()


@dataclass(frozen=True, slots=True)
class Joint:
    """A place on another line where a line begins or ends."""

    line: str
    at_m: float


@dataclass(frozen=True, slots=True)
class Line:
    """A pipe of one bore. ``start`` None: at the valve. ``end`` set: fed from that side too (a loop)."""

    id: str
    start: Joint | None
    end: Joint | None
    bore_m: float
    length_m: float
    points: tuple[Point, ...]  # by rising ``at_m``; drops in between are interpolated
    roughness_m: float = 1.5e-6  # smooth plastic, common value for drawn tubing
    inlet_loss_k: float = 0.5


@dataclass(frozen=True, slots=True)
class Valve:
    channel: int  # which motor driver of the node, from 1
    kv_m3ph: float
    opening_s: float
    closing_s: float


@dataclass(frozen=True, slots=True)
class Feed:
    """What every litre passes before the zone valves: outlet fitting, fine filter, hose."""

    filter_kv_m3ph: float | None
    bore_m: float
    length_m: float
    loss_k: float = 1.0


# How a valve is left when the garden is drained: water in a shut ball bursts it (the trade's habit, from
# memory), but some valves are taken out dry and shut.
WinterValve = Literal["half-open", "open", "shut"]


@dataclass(frozen=True, slots=True)
class Zone:
    """Everything behind one valve."""

    id: str
    name: str
    valve: Valve
    lines: tuple[Line, ...]
    emptied_share: float = 0.3  # share of the line volume that drains away between runs; learned later
    winter_valve: WinterValve = "half-open"

    @property
    def emitters(self) -> tuple[Emitter, ...]:
        return tuple(e for line in self.lines for p in line.points for e in p.emitters)


@dataclass(frozen=True, slots=True)
class Plant:
    """A plant, or a row that is watered as one. Lower ``rank`` is watered first when there is not enough."""

    id: str
    name: str
    kind: str  # a key of the plant catalogue, or of the site file's own kinds
    canopy_m2: float
    rank: int
    planted: date | None = None
    soil: str | None = None  # a key of the soil table; None for a container
    container_l: float | None = None
    root_depth_m: float | None = None  # overrides the catalogue
    plant_factor: float | None = None  # overrides the catalogue
    trunk_diameter_m: float | None = None  # young woody plants are dosed by it
    established: date | None = None  # until then a young woody plant is watered by age
    own_kind: PlantKind | None = None  # where the site file has its kind, not the catalogue


@dataclass(frozen=True, slots=True)
class WateringWindow:
    """Local times between which runs may start and must end; may pass midnight. ``days`` 0 = Monday."""

    start: time
    end: time
    days: frozenset[int] = frozenset(range(7))


@dataclass(frozen=True, slots=True)
class Reserve:
    """Water held back: never drawn unless a person says so."""

    volume_l: float


@dataclass(frozen=True, slots=True)
class ForecastChoice:
    """``then``: sources that are asked, in order, where ``service`` fails or leaves a day open."""

    service: ForecastService
    path: str | None = None  # for "file"
    refresh_h: float = 6.0
    then: tuple[ForecastService, ...] = ()
    contact: str = ""  # for the services that want to know whom to write to

    @property
    def services(self) -> tuple[ForecastService, ...]:
        return (self.service, *self.then)


# What is not urgent is told between these hours where a person has none of his own (our choice).
WAKES, SLEEPS = time(8), time(21)


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody to tell. The address itself is a secret and is looked up by name at run time."""

    name: str
    channel: str  # key of the secret that holds the address
    urgent_only: bool = False
    wakes: time = WAKES
    sleeps: time = SLEEPS
    while_away: bool = False  # a helper: told only while the household is away


@dataclass(frozen=True, slots=True)
class RainGauge:
    """A tipping gauge: ``tip_mm`` is the rain that fills its spoon once."""

    tip_mm: float


@dataclass(frozen=True, slots=True)
class Broker:
    host: str = "127.0.0.1"
    port: int = 1883
    tls: bool = False


# Without a word in the site file.
LONGEST_OPEN_S = 7200.0
# A valve's time in a day, in longest openings: what the node holds whatever it is told (a choice of ours).
DAILY_OPENINGS = 2


@dataclass(frozen=True, slots=True)
class ValveNode:
    """The microcontroller at the valves."""

    id: str
    longest_open_s: float = LONGEST_OPEN_S
    heartbeat_s: float = 300.0
    meter_pulse_l: float | None = None  # of the flow meter that it counts; None: none, or not known


@dataclass(frozen=True, slots=True)
class Site:
    """A whole garden. Built by ``scheduler.site.reading.read_site``; every cross-reference in it resolves."""

    id: str
    name: str
    units: DisplayUnits
    place: GardenPlace
    tank: Tank
    feed: Feed
    zones: tuple[Zone, ...]
    plants: tuple[Plant, ...]
    reserve: Reserve
    windows: tuple[WateringWindow, ...]
    forecast: ForecastChoice
    node: ValveNode
    broker: Broker = Broker()
    sensor: LevelSensor | None = None
    roof: Roof | None = None
    people: tuple[Person, ...] = ()
    rain_gauge: RainGauge | None = None
    on_paper: tuple[str, ...] = ()  # tables that its file lacks and a service needs

    def zone(self, zone_id: str) -> Zone:
        """The zone of that id; KeyError names those that exist."""
        for zone in self.zones:
            if zone.id == zone_id:
                return zone
        raise KeyError(f"no zone {zone_id!r}; there are {', '.join(z.id for z in self.zones)}")

    def plant(self, plant_id: str) -> Plant:
        """The plant of that id; KeyError names those that exist."""
        for plant in self.plants:
            if plant.id == plant_id:
                return plant
        raise KeyError(f"no plant {plant_id!r}; there are {', '.join(p.id for p in self.plants)}")

    def zone_of(self, plant_id: str) -> Zone:
        """The zone that feeds a plant. A plant is fed by one zone (checked when the file is read)."""
        for zone in self.zones:
            if any(e.plant == plant_id for e in zone.emitters):
                return zone
        raise KeyError(f"no emitter feeds plant {plant_id!r}")
