"""A garden reduced to what the weeks ahead need: its plants' table, its zones' shares, floors, the brim.

A zone has one run, so its plants share its litres in fixed proportions: those of their emitters' flows at a
level half-way down to the floor. What emitters without a plant give is lost; so is what trickles to a plant
that the water hardly reaches (module ``reach``), whose share is 0.

On a day a zone draws no more than it gives at that level in the longest run that the node allows
(``sizing.longest_run``). Left out: windows, and with them openings that find no time after their pauses; the
doses of rationing (module ``doses``), whose runs the plan bounds; what was learned of a zone's flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.garden import GardenModel
from scheduler.planning.reach import hardly_reached, middle_level_m
from scheduler.planning.root_zones import PlantTable, plant_table
from scheduler.planning.sizing import OVER_MAX, SCALE_FLOOR, longest_run
from scheduler.planning.soaking import at_once
from scheduler.site.model import Plant, Roof

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

# Less than this is no want of a plant or of a zone, litres.
LEAST_L = 1e-3
# Stands for no rank: lower than any.
UNRANKED = 10**6


@dataclass(frozen=True, slots=True, eq=False)
class GardenAhead:
    """Plants lie zone by zone, zones in the order in which they are served (best rank first)."""

    table: PlantTable
    zone_ids: tuple[str, ...]
    zone_rows: Rows  # (plants): which zone
    first_rows: Rows  # (zones): the first plant of each
    shares: Array  # (plants): litres a plant gets of one litre of its zone
    most_l: Array  # (zones): litres that a zone gives in a day at the most
    ranks: NDArray[np.int64]  # (plants)
    floors_l: Array  # (zones): litres below which a zone is not watered
    reserve_l: float
    full_l: float
    roof: Roof | None
    leak_l: float = 0.0  # litres a day that a known leak takes, below the floors too

    @property
    def lowest_floor_l(self) -> float:
        return float(self.floors_l.min()) if len(self.floors_l) else self.full_l

    @property
    def zone_ranks(self) -> NDArray[np.int64]:
        """The best rank among the plants of each zone that the water reaches, (zones)."""
        reached = np.where(self.shares > 0.0, self.ranks, UNRANKED)
        return np.asarray(np.minimum.reduceat(reached, self.first_rows))

    def start(self, depletion_mm: dict[str, float]) -> Array:
        """Depletions by plant id as a row of the table; a plant that is not named is at 0."""
        return np.array([depletion_mm.get(p.id, 0.0) for p in self.table.plants])


def garden_ahead(
    model: GardenModel, days: Sequence[date], *, level_m: float | None = None, leak_l: float = 0.0
) -> GardenAhead:
    """The reduced garden for those days. ``level_m``: the present level (None: full); ``leak_l``: litres a
    day that a known leak takes."""
    level = model.stage.brim_level_m if level_m is None else level_m
    zones = [z for z in model.zones.values() if z.plants]
    weak = {z.zone.id: hardly_reached(model, z.zone.id, level) for z in zones}
    best = {
        z.zone.id: min(
            model.site.plant(p).rank for p, w in zip(z.plants, weak[z.zone.id], strict=True) if not w
        )
        for z in zones
    }
    zones.sort(key=lambda z: best[z.zone.id])
    plants: list[Plant] = []
    shares: list[float] = []
    most_l: list[float] = []
    rows: list[int] = []
    firsts: list[int] = []
    for row, zone in enumerate(zones):
        firsts.append(len(plants))
        middle_m = middle_level_m(model, zone.zone.id, level)
        total = float(zone.curve.flows_lph(zone.outlet_level_m(middle_m)).sum())
        flows = np.where(weak[zone.zone.id], 0.0, zone.plant_flows_lph(middle_m))
        once_s = at_once(model, zone.zone.id, middle_m).run_s
        longest_s, _ = longest_run(zone.zone.valve, model.site.node.longest_open_s, once_s)
        most_l.append(max(0.0, total * longest_s / 3600.0))
        shares.extend((flows / total if total > 0.0 else np.zeros_like(flows)).tolist())
        plants.extend(model.site.plant(p) for p in zone.plants)
        rows.extend([row] * len(zone.plants))
    return GardenAhead(
        table=plant_table(plants, days),
        zone_ids=tuple(z.zone.id for z in zones),
        zone_rows=np.array(rows, dtype=np.intp),
        first_rows=np.array(firsts, dtype=np.intp),
        shares=np.array(shares),
        most_l=np.array(most_l),
        ranks=np.array([p.rank for p in plants], dtype=np.int64),
        floors_l=np.array([model.stage.volume_l(model.floor_level_m(z.zone.id)) for z in zones]),
        reserve_l=model.stage.volume_l(model.reserve_level_m),
        full_l=model.stage.full_l,
        roof=model.site.roof,
        leak_l=leak_l,
    )


def zone_wants_l(garden: GardenAhead, want_l: Array, due: Flags, at_due_l: Array) -> Array:
    """What each zone would run for the wants of its plants, (members, zones); 0 where none of them is due.

    The rule of ``sizing`` with flows that keep their proportions: the most and the least served plant miss
    by the same share, no plant gets more than ``OVER_MAX`` too much; and no zone more than ``most_l``.
    ``want_l`` and ``at_due_l`` (litres at which a plant falls due) are (members, plants).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return wants_of_day_l(garden, garden.shares > 0.0, want_l, due, least_scales_l(at_due_l))


def least_scales_l(at_due_l: Array) -> Array:
    """The scale of a small want; never nothing. ``at_due_l``: litres at which a plant falls due."""
    return np.maximum(SCALE_FLOOR * at_due_l, 1e-9)


def wants_of_day_l(
    garden: GardenAhead, served: Flags, want_l: Array, due: Flags, least_scale_l: Array
) -> Array:
    """``zone_wants_l`` for a caller that steps through days: it works out once what stays the same, and lets
    NumPy divide by nothing. ``served``: shares above 0; ``least_scale_l``: of ``least_scales_l``."""
    scale_l = np.maximum(want_l, least_scale_l)
    rate, want = garden.shares / scale_l, want_l / scale_l
    counts = (want_l >= LEAST_L) & served
    called = np.logical_or.reduceat(due & counts, garden.first_rows, axis=1)
    litres = np.zeros(called.shape)
    ends = (*garden.first_rows[1:], len(garden.zone_rows))
    for zone in np.flatnonzero(called.any(axis=0)):
        plants = slice(garden.first_rows[zone], ends[zone])
        at = called[:, zone]
        asked_l = _balanced_l(rate[at, plants], want[at, plants], counts[at, plants])
        litres[at, zone] = np.minimum(asked_l, garden.most_l[zone])
    return litres


def _balanced_l(rate: Array, want: Array, counts: Flags) -> Array:
    """The litres L from which max e + min e = 0, e = rate L - want by plant; max e at most ``OVER_MAX``.

    Plants j and k miss by the same at L = (want_j + want_k) / (rate_j + rate_k). The sum rises with L and is
    above 0 as soon as it is for one j beside every k: so L is the least over j of the greatest over k.
    """
    pair_l = (want[:, :, None] + want[:, None, :]) / (rate[:, :, None] + rate[:, None, :])
    worst_l = np.where(counts[:, None, :], pair_l, -np.inf).max(axis=2)
    litres = np.minimum(worst_l, (want + OVER_MAX) / rate)
    return np.asarray(np.where(counts, litres, np.inf).min(axis=1))
