"""A small garden of our own, built by hand: two drums, two zones, three plants."""

from __future__ import annotations

from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather
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
    Site,
    Tank,
    Valve,
    ValveNode,
    WateringWindow,
    Zone,
)

PLACE = GardenPlace(47.45, -122.3, 130.0, ZoneInfo("America/Los_Angeles"))


def _zone(zone_id: str, channel: int, *points: Point) -> Zone:
    line = Line(f"{zone_id}-line", None, None, 0.0136, 8.0, points)
    return Zone(zone_id, zone_id.title(), Valve(channel, 6.0, 8.0, 8.0), (line,))


def _bubbler(emitter_id: str, plant: str, coefficient_lph: float) -> Emitter:
    return Emitter(emitter_id, "bubbler", plant, coefficient_lph, 0.5)


def small_garden() -> Site:
    """Two zones behind one node, one window at dawn; tomatoes in pots, sage and thyme in loam."""
    drums = tuple(Barrel(f"drum-{i}", "upright", 0.5, 0.85, diameter_m=0.58) for i in (1, 2))
    pots = _zone(
        "pots",
        1,
        Point(2.0, 0.3, (_bubbler("p1", "tomato", 12.0),)),
        Point(4.0, 0.3, (_bubbler("p2", "tomato", 12.0),)),
    )
    bed = _zone(
        "bed",
        2,
        Point(3.0, 0.4, (_bubbler("b1", "sage", 8.0),)),
        Point(7.0, 0.4, (_bubbler("b2", "thyme", 8.0),)),
    )
    return Site(
        id="small-garden",
        name="Small garden",
        units="metric",
        place=PLACE,
        tank=Tank(drums, 0.55),
        feed=Feed(6.0, 0.019, 1.0),
        zones=(pots, bed),
        plants=(
            Plant("tomato", "Tomato", "tomato", 0.5, 1, date(2012, 5, 15), container_l=50.0),
            Plant("sage", "Sage", "tomato", 0.4, 2, soil="loam", plant_factor=0.4, root_depth_m=0.3),
            Plant("thyme", "Thyme", "tomato", 0.4, 3, soil="loam", plant_factor=0.4, root_depth_m=0.3),
        ),
        reserve=Reserve(40.0),
        windows=(WateringWindow(time(5), time(9)),),
        forecast=ForecastChoice("file"),
        node=ValveNode("shed"),
        sensor=LevelSensor("echo", "drum-1", 1.6, None, 0.004, blanking_m=0.05),
    )


def dry_days(first: date, count: int, *, tmax_c: float = 28.0) -> tuple[DayWeather, ...]:
    """Plain rainless summer days."""
    return tuple(
        DayWeather(first + timedelta(days=n), tmin_c=13.0, tmax_c=tmax_c, rain_mm=0.0, wind_ms=2.5)
        for n in range(count)
    )
