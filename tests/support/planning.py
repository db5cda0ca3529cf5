"""Needs and gardens for tests of the planning, built by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scheduler.agronomy.need import PlantNeed
from scheduler.site.model import (
    Barrel,
    BarrelLink,
    Emitter,
    Line,
    Plant,
    Point,
    Reserve,
    Site,
    Tank,
    Valve,
    Zone,
)
from tests.support.gardens import small_garden


def need(plant: str, wanted_l: float, overdue: float = 1.0, *, due: bool | None = None) -> PlantNeed:
    return PlantNeed(plant, wanted_l, overdue >= 1.0 if due is None else due, "so it is", (), overdue)


def large_site(zones: int = 8, emitters: int = 100, seed: int = 1) -> Site:
    """Many zones on five linked drums; emitters of uneven size on sloping ground, two to a plant."""
    rng = np.random.default_rng(seed)
    built: list[Zone] = []
    plants: list[Plant] = []
    counts = [emitters // zones + (1 if i < emitters % zones else 0) for i in range(zones)]
    for z, count in enumerate(counts):
        points = []
        for i in range(count):
            plant = f"z{z}-plant-{i // 2}"
            k = float(rng.uniform(6.0, 10.0))
            x = 0.5 if i % 2 else 0.7
            emitter = Emitter(f"z{z}-e{i}", "bubbler", plant, k, x)
            points.append(Point(1.0 + 0.8 * i, 0.3 + 0.01 * i + float(rng.uniform(0.0, 0.05)), (emitter,)))
            if i % 2 == 0:
                plants.append(
                    Plant(plant, f"Plant {plant}", "tomato", 0.4, 1 + z % 3, soil="loam", plant_factor=0.5)
                )
        line = Line(f"z{z}-line", None, None, 0.0158, 1.0 + 0.8 * count, tuple(points))
        built.append(Zone(f"z{z}", f"Zone {z}", Valve(z + 1, 6.0, 8.0, 8.0), (line,)))
    drums = tuple(Barrel(f"drum-{i}", "upright", 0.5, 0.85, diameter_m=0.58) for i in range(5))
    return replace(
        small_garden(),
        tank=Tank(drums, 0.55, BarrelLink(0.025, 0.3)),
        zones=tuple(built),
        plants=tuple(plants),
        reserve=Reserve(100.0),
    )
