"""A garden with hidden faults, and a fitter who measures it with a bucket, cans, a ruler and a watch.

Nothing here is shared with the fit but the hydraulics solver: laws, errors and the falling level are worked
out anew. What the fitter hands over are test records.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve, solve_levels
from scheduler.site.model import (
    Barrel,
    Emitter,
    Feed,
    Joint,
    LevelSensor,
    Line,
    Plant,
    Point,
    Site,
    Tank,
    Valve,
    Zone,
)
from scheduler.survey.tests_done import (
    Can,
    CatchCans,
    Draw,
    HandLevel,
    HeadFlow,
    LeakAtRest,
    RestReading,
    SensorScale,
)
from tests.support.gardens import small_garden

DAY = datetime(2012, 4, 14, 9, 0, tzinfo=UTC)
# One reading of a ruler or of the sensor, one sd (the 10 mm). The guided steps ask for three readings
# by ruler; a node sends many.
LEVEL_SD_M = 0.010
RULER_READINGS, PINGS = 3, 5
# One reading of a jug, and the jug itself, one sd: 1.8 % together (the 1 to 2 %).
JUG_READ_SD, JUG_SD = 0.015, 0.010
LEAK_LPH = 2.0
LEAK_HOURS = 20.0
WATER_C = 14.0
SURFACE_M2 = 2 * np.pi / 4 * 0.58**2
BRIM_M = 1.40


@dataclass(frozen=True)
class Truth:
    """The hidden garden: k (L/h) and x by emitter, real drops, what the sensor really reads."""

    drawn: Site
    real: Site
    k_lph: np.ndarray
    x: np.ndarray
    clogged: frozenset[str]
    sensor_offset_m: float  # what the drawn sensor must be raised by
    sensor_scale: float

    @cached_property
    def network(self):
        made = zone_network(self.real, self.real.zones[0])
        return replace(made, k_m3s=self.k_lph / 3.6e6, exponent=self.x, cache={})

    def flow_lph(self, levels_m, temperature_c: float = 20.0) -> np.ndarray:
        return solve_levels(self.network, np.asarray(levels_m), temperature_c=temperature_c).flow_lph.sum(
            axis=1
        )


def _drawn(draw: np.random.Generator) -> Site:
    """Two laterals of six to nine bubblers, about 0.2 m below the outlet of two tall drums."""
    lines = [Line("main", None, None, 0.0165, 4.0, (Point(4.0, 0.1),))]
    plants = []
    for side in ("left", "right"):
        points, at = [], 0.0
        for i in range(int(draw.integers(6, 10))):
            at += float(draw.uniform(0.4, 1.2))
            plant, drop = f"{side}-{i}", 0.2 + float(draw.uniform(-0.15, 0.15))
            points.append(Point(at, drop, (Emitter(f"{plant}-e", "bubbler", plant, 10.0, 0.6),)))
            plants.append(Plant(plant, plant, "tomato", 0.4, 1, container_l=40.0))
        lines.append(Line(side, Joint("main", 4.0), None, 0.0136, at + 0.3, tuple(points)))
    base = small_garden()
    drums = tuple(Barrel(f"drum-{i}", "upright", 0.5, BRIM_M + 0.05, diameter_m=0.58) for i in (1, 2))
    zone = Zone("bed", "Bed", Valve(1, 6.0, 8.0, 8.0), tuple(lines))
    return replace(
        base,
        tank=Tank(drums, 0.55),
        feed=Feed(6.0, 0.019, 1.0),
        zones=(zone,),
        plants=tuple(plants),
        sensor=LevelSensor("pressure", "drum-1", 0.55, 0.001, 0.01),
    )


def _moved(site: Site, draw: np.random.Generator) -> Site:
    """The places as they really are: a water level reads drops to 5 mm."""
    zone = site.zones[0]
    lines = tuple(
        replace(
            line,
            points=tuple(replace(p, drop_m=p.drop_m + float(draw.normal(0.0, 0.005))) for p in line.points),
        )
        for line in zone.lines
    )
    return replace(site, zones=(replace(zone, lines=lines),))


def hidden_garden(seed: int) -> Truth:
    draw = np.random.default_rng(seed)
    drawn = _drawn(draw)
    ids = [e.id for e in drawn.zones[0].emitters]
    n = len(ids)
    k = 10.0 * np.exp(draw.normal(0.0, 0.20) + draw.normal(0.0, 0.08, n))
    x = 0.6 + draw.uniform(-0.1, 0.25) + draw.normal(0.0, 0.02, n)
    clogged = draw.choice(n, size=2, replace=False)
    k[clogged] *= draw.uniform(0.25, 0.60, 2)
    return Truth(
        drawn=drawn,
        real=_moved(drawn, draw),
        k_lph=k,
        x=x,
        clogged=frozenset(ids[i] for i in clogged),
        sensor_offset_m=float(draw.normal(0.0, 0.04)),
        sensor_scale=float(1.0 + draw.normal(0.0, 0.01)),
    )


class Fitter:
    """Reads levels and volumes with his errors; sees nothing else of the truth."""

    def __init__(self, truth: Truth, seed: int, jug_sd: float = JUG_SD) -> None:
        self.truth = truth
        self.draw = np.random.default_rng(seed)
        self.jug = 1.0 + jug_sd * self.draw.standard_normal()

    def ruler(self, level_m: float) -> float:
        return level_m + float(self.draw.normal(0.0, LEVEL_SD_M, RULER_READINGS).mean())

    def raw(self, level_m: float) -> float:
        seen = level_m + float(self.draw.normal(0.0, LEVEL_SD_M, PINGS).mean())
        return (seen - self.truth.sensor_offset_m) / self.truth.sensor_scale / 0.001

    def measured(self, litres: float) -> float:
        return litres * self.jug * float(1.0 + self.draw.normal(0.0, JUG_READ_SD))

    def sensor(self) -> SensorScale:
        levels = (1.32, 1.30, 0.72, 0.70, 0.14, 0.12)
        readings = tuple(HandLevel(level_m=self.ruler(m), raw=self.raw(m)) for m in levels)
        return SensorScale(at=DAY, who="fitter", readings=readings)

    def at_rest(self) -> LeakAtRest:
        """The valve is shut, the leak stands between outlet and valve; lids on, no rain."""
        level, readings = 1.25, []
        hours = (0.0, 0.1, 10.0, LEAK_HOURS - 0.1, LEAK_HOURS)
        for before, hour in zip((0.0, *hours[:-1]), hours, strict=True):
            # An orifice: it leaks less as the level falls.
            level -= LEAK_LPH * (level / 1.25) ** 0.5 * (hour - before) / 1000.0 / SURFACE_M2
            at = DAY + timedelta(hours=1.0 + hour)
            readings.append(RestReading(at=at, level_m=self.ruler(level), water_c=WATER_C))
        at = readings[-1].at
        return LeakAtRest(at=at, who="fitter", readings=tuple(readings), rain_mm=0.0)

    def let_run(self, level_m: float, run_s: float) -> tuple[np.ndarray, float]:
        """Litres of each emitter, and the level at the end; the leak runs on. By the midpoint rule: the level
        falls by a few centimetres at most, over which the flow is all but straight."""

        def fall_m(litres: np.ndarray, seconds: float) -> float:
            return (float(litres.sum()) + LEAK_LPH * seconds / 3600.0) / 1000.0 / SURFACE_M2

        def given(level: float, seconds: float) -> np.ndarray:
            return solve(self.truth.network, level, temperature_c=WATER_C).flow_lph * seconds / 3600.0

        middle = level_m - fall_m(given(level_m, 0.5 * run_s), 0.5 * run_s)
        litres = given(middle, run_s)
        return litres, level_m - fall_m(litres, run_s)

    def head_flow(self) -> HeadFlow:
        """Three levels, three draws at each; the level by ruler before and after each draw."""
        draws = []
        for level in (1.32, 0.62, 0.10):
            start = level
            for _ in range(3):
                litres, end = self.let_run(start, 300.0)
                caught = self.measured(float(litres.sum()))
                draws.append(
                    Draw(level_m=self.ruler(start), level_end_m=self.ruler(end), run_s=300.0, volume_l=caught)
                )
                start = end
        at = DAY + timedelta(days=2)
        return HeadFlow(zone="bed", at=at, who="fitter", draws=tuple(draws), water_c=WATER_C)

    def cans(self) -> CatchCans:
        litres, end = self.let_run(0.80, 600.0)
        ids = self.truth.network.emitter_ids
        cans = tuple(
            Can(emitter=e, volume_l=self.measured(float(v))) for e, v in zip(ids, litres, strict=True)
        )
        return CatchCans(
            zone="bed",
            at=DAY + timedelta(days=2, hours=2),
            who="fitter",
            level_m=self.ruler(0.80),
            level_end_m=self.ruler(end),
            run_s=600.0,
            cans=cans,
            water_c=WATER_C,
        )
