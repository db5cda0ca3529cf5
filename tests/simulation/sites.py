"""The gardens of the simulation: small and thirsty, so that water flows often, with short limits, so that
rare paths are common. Few of them, so that each is worked out once in a process."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time
from functools import lru_cache
from zoneinfo import ZoneInfo

from scheduler.site.model import (
    Barrel,
    Emitter,
    Feed,
    ForecastChoice,
    GardenPlace,
    LevelSensor,
    Line,
    Plant,
    Point,
    Reserve,
    Roof,
    Site,
    Tank,
    Valve,
    ValveNode,
    WateringWindow,
    Zone,
)

OUTLET_M = 0.55
BASE_M = 0.5
HEIGHT_M = 0.85
DIAMETER_M = 0.58
TRAVEL_S = 8.0
# Echo sensors stand so high above the datum, a pressure cell so high.
ECHO_FACE_M = 1.6
CELL_M = 0.55
CELL_M_PER_COUNT = 0.0005

# name -> (zones, drums, sensor, windows, heartbeat s, longest opening s, reserve L)
KINDS: dict[str, tuple[int, int, str | None, tuple[tuple[int, int], ...], float, float, float]] = {
    "pair": (2, 2, "echo", ((1, 11), (12, 22)), 900.0, 7200.0, 40.0),
    "cell": (2, 3, "pressure", ((3, 9), (17, 23)), 600.0, 3600.0, 60.0),
    "row": (3, 2, "echo", ((0, 23),), 900.0, 1800.0, 20.0),
    "blind": (2, 2, None, ((2, 20),), 900.0, 3600.0, 40.0),
    "single": (1, 1, "echo", ((0, 12), (13, 23)), 1200.0, 5400.0, 10.0),
    # For whole seasons: reports each hour.
    "season": (2, 3, "echo", ((4, 9), (20, 23)), 3600.0, 7200.0, 60.0),
}
SEASON = "season"
# A node that reports seldom.
COARSE_BEAT_S, COARSE_SEASON_BEAT_S = 7200.0, 10800.0
COARSE_REFRESH_H = 12.0
SITE_NAMES = tuple(name for name in KINDS if name != SEASON)

PLACE = GardenPlace(47.45, -122.3, 130.0, ZoneInfo("America/Los_Angeles"))


@lru_cache
def site_named(name: str, *, coarse: bool = False) -> Site:
    """``coarse``: its node reports seldom (module ``pace``)."""
    zones, drums, sensor, windows, heartbeat_s, longest_s, reserve_l = KINDS[name]
    if coarse:
        heartbeat_s = COARSE_SEASON_BEAT_S if name == SEASON else COARSE_BEAT_S
        windows = windows[:1] if name == SEASON else windows
    return Site(
        id=f"sim-{name}",
        name=f"Simulated garden {name}",
        units="metric",
        place=PLACE,
        tank=Tank(_drums(drums), OUTLET_M),
        feed=Feed(6.0, 0.019, 1.0),
        zones=tuple(_zone(n) for n in range(zones)),
        plants=tuple(_plant(n, bed=coarse and name == SEASON) for n in range(zones)),
        reserve=Reserve(reserve_l),
        windows=tuple(WateringWindow(time(a), time(b)) for a, b in windows),
        forecast=ForecastChoice("file", refresh_h=COARSE_REFRESH_H) if coarse else ForecastChoice("file"),
        node=ValveNode("shed", longest_open_s=longest_s, heartbeat_s=heartbeat_s),
        sensor=_sensor(sensor, heartbeat_s),
        roof=Roof(4.0, 0.85, 0.5) if name in ("cell", SEASON) else None,
    )


def _drums(count: int) -> tuple[Barrel, ...]:
    return tuple(
        Barrel(f"drum-{i}", "upright", BASE_M, HEIGHT_M, diameter_m=DIAMETER_M) for i in range(count)
    )


def _zone(n: int) -> Zone:
    emitters = tuple(Emitter(f"e{n}{i}", "bubbler", f"plant-{n}", 45.0 + 12.0 * n, 0.5) for i in range(2))
    points = (Point(2.0, 0.3, emitters[:1]), Point(5.0, 0.35, emitters[1:]))
    line = Line(f"line-{n}", None, None, 0.0136, 6.0, points)
    return Zone(f"zone-{n}", f"Zone {n}", Valve(n + 1, 6.0, TRAVEL_S, TRAVEL_S), (line,))


def _plant(n: int, *, bed: bool) -> Plant:
    """In a pot it wants water each day, in a raised bed every few days."""
    return Plant(
        f"plant-{n}",
        f"Plant {n}",
        "tomato",
        1.2 + 0.6 * n,
        n + 1,
        date(2012, 5, 1),
        container_l=(16.0 if bed else 1.0) * (25.0 + 15.0 * n),
    )


def _sensor(kind: str | None, heartbeat_s: float) -> LevelSensor | None:
    if kind is None:
        return None
    if kind == "echo":
        return LevelSensor(
            "echo", "drum-0", ECHO_FACE_M, None, 0.004, blanking_m=0.05, interval_s=heartbeat_s
        )
    return LevelSensor("pressure", "drum-0", CELL_M, CELL_M_PER_COUNT, 0.002, interval_s=heartbeat_s)


def with_reserve(site: Site, litres: float) -> Site:
    return replace(site, reserve=Reserve(litres))
