"""From checked records to the garden. Only called when a file has no problem, so every entry is there."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from scheduler.site.barrels import barrel_ids, barrels_of
from scheduler.site.catalogue import PlantKind
from scheduler.site.layout import knots, lines_by_id, outlets
from scheduler.site.model import (
    SLEEPS,
    WAKES,
    BarrelLink,
    Broker,
    Emitter,
    Feed,
    ForecastChoice,
    ForecastService,
    GardenPlace,
    Joint,
    LevelSensor,
    Line,
    Person,
    Plant,
    Point,
    RainGauge,
    Reserve,
    Roof,
    Site,
    Tank,
    Valve,
    ValveNode,
    WateringWindow,
    Zone,
)
from scheduler.site.own_kinds import own_kinds
from scheduler.site.quantities import parse
from scheduler.site.records import Record
from scheduler.site.sections import DAYS, NO_PLANT

# Where a garden on paper would have its weather from; no service is asked for it.
ON_PAPER: ForecastService = "open-meteo"


def build_site(site: Record) -> Site:
    """The garden of a file without problems."""
    tank = _there(site, "tank")
    feed = _there(site, "feed")
    broker = site.one("broker")
    own = own_kinds(site)
    return Site(
        id=site.get("id"),
        name=site.get("name") or site.get("id"),
        units=site.get("units"),
        place=_place(_there(site, "place")),
        tank=_tank(tank),
        feed=Feed(
            _kv(feed, "filter_kv", "filter_cv"), feed.get("bore"), feed.get("length"), feed.get("loss")
        ),
        zones=_zones(site),
        plants=tuple(_plant(p, own) for p in site.many("plant")),
        reserve=Reserve(tank.get("reserve")),
        windows=tuple(_window(w) for w in site.many("window")),
        forecast=_forecast(forecast) if (forecast := site.one("forecast")) else ForecastChoice(ON_PAPER),
        node=_node(node) if (node := site.one("node")) else ValveNode(site.get("id")),
        on_paper=tuple(f"[{name}]" for name in ("forecast", "node") if site.one(name) is None),
        broker=Broker(broker.get("host"), broker.get("port"), broker.get("tls")) if broker else Broker(),
        sensor=_sensor(sensor, tank) if (sensor := site.one("sensor")) else None,
        roof=_roof(roof) if (roof := site.one("roof")) else None,
        people=tuple(
            Person(
                p.get("name"),
                p.get("channel"),
                p.get("urgent_only"),
                p.get("wakes") or WAKES,
                p.get("sleeps") or SLEEPS,
                p.get("while_away"),
            )
            for p in site.many("person")
        ),
        rain_gauge=RainGauge(gauge.get("tip")) if (gauge := site.one("rain_gauge")) else None,
    )


def _there(record: Record, name: str) -> Record:
    found = record.one(name)
    if found is None:
        raise ValueError(f"{name} is missing in a record that was checked")
    return found


def _place(place: Record) -> GardenPlace:
    return GardenPlace(
        latitude_deg=place.get("latitude"),
        longitude_deg=place.get("longitude"),
        altitude_m=place.get("altitude"),
        timezone=place.get("timezone"),
        coastal=place.get("coastal"),
        arid=place.get("arid"),
    )


def _tank(tank: Record) -> Tank:
    link = tank.one("link")
    return Tank(
        barrels=tuple(b for record in tank.many("barrel") for b in barrels_of(record)),
        outlet_height_m=tank.get("outlet_height"),
        link=BarrelLink(link.get("bore"), link.get("length"), link.get("loss")) if link else None,
    )


def _kv(record: Record, kv: str, cv: str) -> float | None:
    """m3/h at 1 bar, from either of the two ways to give it. Flow goes with the root of the pressure."""
    if cv in record.given:
        psi_in_bar = parse("1 psi", "head") / parse("100 kPa", "head")
        m3ph_per_gpm = parse("1 gpm", "kv")
        return float(record.get(cv) * m3ph_per_gpm / math.sqrt(psi_in_bar))
    value: float | None = record.get(kv)
    return value


def _zones(site: Record) -> tuple[Zone, ...]:
    kinds = {k.get("id"): k for k in site.many("emitter")}
    taken = {str(i) for z in site.many("zone") for i in _given_ids(z)}
    naming = _Naming(taken)
    zones = []
    for zone in site.many("zone"):
        valve = _there(zone, "valve")
        kv = _kv(valve, "kv", "cv")
        assert kv is not None
        by_id = lines_by_id(zone)
        zones.append(
            Zone(
                id=zone.get("id"),
                name=zone.get("name") or zone.get("id"),
                valve=Valve(valve.get("channel"), kv, valve.get("opening"), valve.get("closing")),
                lines=tuple(_line(line, by_id, kinds, naming) for line in zone.many("line")),
                emptied_share=zone.get("emptied"),
                winter_valve=zone.get("winter_valve"),
            )
        )
    return tuple(zones)


def _given_ids(zone: Record) -> Iterator[str]:
    for line in zone.many("line"):
        for point in line.many("points"):
            if "id" in point.given:
                yield point.get("id")


class _Naming:
    """Names emitters PLANT-1, PLANT-2 ... in the order of walking, leaving out the names that were given."""

    def __init__(self, taken: set[str]) -> None:
        self._taken = taken
        self._last: dict[str, int] = {}

    def next(self, plant: str) -> str:
        while True:
            number = self._last[plant] = self._last.get(plant, 0) + 1
            if (name := f"{plant}-{number}") not in self._taken:
                return name


def _line(line: Record, by_id: dict[str, Record], kinds: dict[str, Record], naming: _Naming) -> Line:
    emitters: dict[float, list[Emitter]] = {}
    drops = dict(knots(line, by_id))
    for outlet in outlets(line, by_id):
        assert outlet.drop_m is not None
        drops.setdefault(outlet.at_m, outlet.drop_m)
        emitters.setdefault(outlet.at_m, []).append(_emitter(outlet.record, kinds, naming))
    return Line(
        id=line.get("id"),
        start=Joint(line.get("from"), line.get("from_at")) if line.get("from") else None,
        end=Joint(line.get("to"), line.get("to_at")) if line.get("to") else None,
        bore_m=line.get("bore"),
        length_m=line.get("length"),
        points=tuple(Point(at, drops[at], tuple(emitters.get(at, ()))) for at in sorted(drops)),
        roughness_m=line.get("roughness"),
        inlet_loss_k=line.get("inlet_loss"),
    )


def _emitter(entry: Record, kinds: dict[str, Record], naming: _Naming) -> Emitter:
    """The kind's settings, with what was trimmed at this point."""
    kind = kinds[entry.get("emitter")]
    flow_lph = _trimmed(entry, kind, "flow")
    at_head_m = _trimmed(entry, kind, "at_head")
    exponent = _trimmed(entry, kind, "exponent")
    tested = entry.get("tested") if "flow" in entry.given else kind.get("tested")
    plant = None if entry.get("plant") == NO_PLANT else entry.get("plant")
    return Emitter(
        id=entry.get("id") if "id" in entry.given else naming.next(plant or NO_PLANT),
        form=kind.get("form"),
        plant=plant,
        coefficient_lph=flow_lph / at_head_m**exponent,
        exponent=exponent,
        spread=kind.get("spread"),
        activation_head_m=kind.get("starts_at"),
        head_min_m=tested[0] if tested else None,
        head_max_m=tested[1] if tested else None,
    )


def _trimmed(entry: Record, kind: Record, name: str) -> float:
    value: float = entry.get(name) if name in entry.given else kind.get(name)
    return value


def _plant(plant: Record, own: Mapping[str, PlantKind]) -> Plant:
    across = plant.get("canopy_diameter")
    return Plant(
        id=plant.get("id"),
        name=plant.get("name") or plant.get("id"),
        kind=plant.get("kind"),
        canopy_m2=plant.get("canopy") if across is None else round(math.pi * across**2 / 4, 6),
        rank=plant.get("rank"),
        planted=plant.get("planted"),
        soil=plant.get("soil"),
        container_l=plant.get("container"),
        root_depth_m=plant.get("root_depth"),
        plant_factor=plant.get("plant_factor"),
        trunk_diameter_m=plant.get("trunk"),
        established=plant.get("established"),
        own_kind=own.get(plant.get("kind")),
    )


def _window(window: Record) -> WateringWindow:
    days = frozenset(DAYS.index(day) for day in window.get("days"))
    return WateringWindow(window.get("from"), window.get("to"), days)


def _forecast(forecast: Record) -> ForecastChoice:
    return ForecastChoice(
        forecast.get("service"),
        forecast.get("path"),
        forecast.get("refresh") / 3600.0,
        tuple(forecast.get("then")),
        forecast.get("contact"),
    )


def _node(node: Record) -> ValveNode:
    return ValveNode(node.get("id"), node.get("longest_open"), node.get("heartbeat"), node.get("meter_pulse"))


def _sensor(sensor: Record, tank: Record) -> LevelSensor:
    return LevelSensor(
        kind=sensor.get("kind"),
        barrel=sensor.get("barrel") or barrel_ids(tank.many("barrel")[0])[0],
        mount_height_m=sensor.get("mount_height"),
        scale_m=sensor.get("scale"),
        noise_m=sensor.get("noise"),
        blanking_m=sensor.get("blanking"),
        interval_s=sensor.get("interval"),
    )


def _roof(roof: Record) -> Roof:
    return Roof(roof.get("catchment"), roof.get("runoff"), roof.get("first_flush"))
