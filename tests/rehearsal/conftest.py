"""A small garden of our own for the rehearsal's tests: two drums, two zones, four plants."""

from __future__ import annotations

from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import (
    Barrel,
    BarrelLink,
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

PLACE = GardenPlace(47.6, -122.3, 50.0, ZoneInfo("America/Los_Angeles"))


def bubbler(emitter_id: str, plant: str, coefficient_lph: float = 12.0) -> Emitter:
    return Emitter(emitter_id, "bubbler", plant, coefficient_lph, 0.5)


def zone(zone_id: str, channel: int, points: tuple[Point, ...]) -> Zone:
    line = Line(f"{zone_id}-line", None, None, 0.0136, 12.0, points)
    return Zone(zone_id, zone_id.title(), Valve(channel, 3.0, 8.0, 8.0), (line,))


def make_site() -> Site:
    drums = tuple(Barrel(f"drum-{i}", "upright", 0.5, 0.85, diameter_m=0.58) for i in (1, 2))
    bed = zone(
        "bed",
        1,
        (
            Point(3.0, 0.2, (bubbler("b1", "tomatoes"),)),
            Point(7.0, 0.25, (bubbler("b2", "tomatoes"),)),
            Point(11.0, 0.4, (bubbler("b3", "beans"),)),
        ),
    )
    slope = zone(
        "slope",
        2,
        (Point(5.0, 0.3, (bubbler("s1", "currant", 9.0),)), Point(12.0, 0.6, (bubbler("s2", "sage", 7.0),))),
    )
    return Site(
        id="two-drums",
        name="Two drums",
        units="metric",
        place=PLACE,
        tank=Tank(drums, 0.55, BarrelLink(0.025, 0.4)),
        feed=Feed(6.0, 0.019, 1.0),
        zones=(bed, slope),
        plants=(
            Plant("tomatoes", "Tomatoes", "tomato", 1.0, 1, soil="loam"),
            Plant("beans", "Beans", "green-bean", 0.5, 2, soil="loam"),
            Plant("currant", "Currant", "currant", 0.5, 3, soil="loam", plant_factor=0.7),
            Plant("sage", "Sage", "sage", 0.4, 4, soil="loam", plant_factor=0.4),
        ),
        reserve=Reserve(40.0),
        windows=(WateringWindow(time(5), time(9)),),
        forecast=ForecastChoice("file"),
        node=ValveNode("shed"),
        sensor=LevelSensor("echo", "drum-1", 1.6, None, 0.004, blanking_m=0.05),
        roof=Roof(8.0, 0.85, 0.5),
    )


def make_days(first: date, count: int, rain: dict[int, float] | None = None) -> tuple[DayWeather, ...]:
    """Plain summer days; ``rain`` by offset, mm."""
    wet = rain or {}
    return tuple(
        DayWeather(first + timedelta(days=i), tmin_c=13.0, tmax_c=26.0, rain_mm=wet.get(i, 0.0), wind_ms=2.5)
        for i in range(count)
    )


@pytest.fixture(scope="session")
def site() -> Site:
    return make_site()


@pytest.fixture(scope="session")
def make_weather():  # type: ignore[no-untyped-def]
    return make_days
