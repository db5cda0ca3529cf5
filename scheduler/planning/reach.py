"""Plants that the water of a low barrel hardly reaches, though the rest of their zone is served.

Towards the level at which its emitter falls dry a plant's share of its zone's water goes to nothing. Litres
that would cover it all the same grow beyond all bounds, and nearly all of them run past the roots of the
others. So such a plant sets neither its zone's dose nor its run nor the days that the store lasts: it gets
what comes with the others, and the plan says that somebody must see to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.garden import GardenModel, ZoneModel

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Emitters that give less than this share of what the best served of the zone give, each against its own size,
# are hardly reached (ours).
WEAK_SHARE = 1.0 / 3.0
# Covering a plant may bring the others so many times their own use, more is several times too much ...
OVERFILL_MAX = 3.0
# ... where it would do so to more than this share of the others' water (both ours).
OVERFILLED_SHARE = 0.5
# Halvings of the whole height until the level at which a plant falls dry is known: below a tenth of a mm.
DRY_BISECTIONS = 16


@dataclass(frozen=True, slots=True)
class OutOfReach:
    """A plant that is hardly reached: its flow and its zone's at the level, and below which level it is dry
    (inf: even full barrels do not reach it)."""

    plant: str
    flow_lph: float
    zone_flow_lph: float
    dry_below_m: float


def middle_level_m(model: GardenModel, zone_id: str, level_m: float) -> float:
    """Half-way from a level down to the zone's floor: where its water flows on average until it ends."""
    floor_m = model.floor_level_m(zone_id)
    return max(floor_m, (level_m + floor_m) / 2.0)


def hardly_reached(model: GardenModel, zone_id: str, level_m: float) -> Flags:
    """Which of the zone's plants the water hardly reaches from that level down to the floor, (plants).

    Those whose emitters are weak against the zone's best, so much so that covering the plant's use, which
    grows with its canopy, would overfill most of the others. Never all of them.
    """
    zone = model.zones[zone_id]
    flows = zone.plant_flows_lph(middle_level_m(model, zone_id, level_m))
    size = zone.plant_rows @ zone.network.k_m3s
    drive = np.divide(flows, size, out=np.zeros_like(flows), where=size > 0.0)
    weak = drive < WEAK_SHARE * drive.max(initial=0.0)
    if not weak.any():
        return np.asarray(weak)
    canopy = np.array([model.site.plant(p).canopy_m2 for p in zone.plants])
    # Of one litre for each m2: over[j, k], covering j brings k several times its own use.
    supply = flows / canopy
    over = supply[None, :] > OVERFILL_MAX * supply[:, None]
    others = flows.sum() - flows
    return np.asarray(weak & (over @ flows > OVERFILLED_SHARE * others))


def out_of_reach(model: GardenModel, zone_id: str, level_m: float) -> tuple[OutOfReach, ...]:
    """The zone's plants that are hardly reached from that level, with figures."""
    zone, weak = model.zones[zone_id], hardly_reached(model, zone_id, level_m)
    if not weak.any():
        return ()
    flows = zone.plant_flows_lph(level_m)
    total = float(zone.curve.total_lph(zone.outlet_level_m(level_m)))
    return tuple(
        OutOfReach(plant, float(flows[row]), total, _dry_below_m(zone, row, model.stage.brim_level_m))
        for row, plant in enumerate(zone.plants)
        if weak[row]
    )


def _dry_below_m(zone: ZoneModel, row: int, brim_m: float) -> float:
    low, high = 0.0, brim_m
    if zone.plant_flows_lph(high)[row] <= 0.0:
        return math.inf
    for _ in range(DRY_BISECTIONS):
        middle = (low + high) / 2.0
        if zone.plant_flows_lph(middle)[row] > 0.0:
            high = middle
        else:
            low = middle
    return high
