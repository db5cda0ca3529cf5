"""A garden for dry seasons, built by hand: five zones of ranks 1 to 4, trimmed within a few percent."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from scheduler.planning.garden_ahead import GardenAhead
from scheduler.planning.root_zones import plant_table
from scheduler.site.model import Plant, Roof

# Zone, plants, and what the trimming of each is off by.
ZONES: tuple[tuple[str, tuple[Plant, ...], tuple[float, ...]], ...] = (
    (
        "pots",
        (
            Plant("pot-tomato", "Tomatoes in pots", "tomato", 0.6, 1, plant_factor=0.9, container_l=80.0),
            Plant("pot-pepper", "Peppers in pots", "tomato", 0.4, 1, plant_factor=0.8, container_l=50.0),
        ),
        (1.05, 0.93),
    ),
    (
        "bed",
        (
            Plant("beans", "Beans", "tomato", 1.2, 2, soil="loam", plant_factor=0.9, root_depth_m=0.5),
            Plant("squash", "Squash", "tomato", 1.0, 2, soil="loam", plant_factor=0.85, root_depth_m=0.6),
        ),
        (0.96, 1.05),
    ),
    (
        "shrubs",
        (
            Plant("currant", "Currant", "tomato", 1.5, 2, soil="loam", plant_factor=0.5, root_depth_m=0.6),
            Plant("rose", "Rose", "tomato", 0.9, 3, soil="loam", plant_factor=0.5, root_depth_m=0.5),
        ),
        (1.0, 1.0),
    ),
    (
        "border",
        (
            Plant("phlox", "Phlox", "tomato", 1.5, 3, soil="sandy-loam", plant_factor=0.5, root_depth_m=0.4),
            Plant("sage", "Sage", "tomato", 1.5, 3, soil="sandy-loam", plant_factor=0.4, root_depth_m=0.5),
        ),
        (0.95, 1.06),
    ),
    (
        "strip",
        (Plant("grass", "Grass strip", "tomato", 3.0, 4, soil="loam", plant_factor=0.7, root_depth_m=0.4),),
        (1.0,),
    ),
)


def dry_garden(
    days: Sequence[date], *, full_l: float, reserve_l: float = 40.0, roof: Roof | None = None
) -> GardenAhead:
    plants = [p for _, of, _ in ZONES for p in of]
    shares: list[float] = []
    for _, of, trims in ZONES:
        use = np.array([p.canopy_m2 * (p.plant_factor or 0.0) for p in of]) * np.array(trims)
        shares.extend((use / use.sum()).tolist())
    counts = [len(of) for _, of, _ in ZONES]
    return GardenAhead(
        table=plant_table(plants, days),
        zone_ids=tuple(z for z, _, _ in ZONES),
        zone_rows=np.repeat(np.arange(len(ZONES)), counts),
        first_rows=np.concatenate(([0], np.cumsum(counts)[:-1])),
        shares=np.array(shares),
        most_l=np.full(len(ZONES), np.inf),  # no zone is cut by time
        ranks=np.array([p.rank for p in plants]),
        floors_l=np.full(len(ZONES), reserve_l),
        reserve_l=reserve_l,
        full_l=full_l,
        roof=roof,
    )
