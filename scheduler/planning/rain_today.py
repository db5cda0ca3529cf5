"""Whether a zone waits for today's rain: probable, worth it for every due plant, none of them far overdue.

Containers never wait: their own store is small and the canopy keeps rain off it. Where some of a zone's
openings are over, the rain is measured by what the others were to bring, whether or not a plant is due still.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from scheduler.planning import words
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import Reason

if TYPE_CHECKING:
    from scheduler.agronomy.need import PlantNeed
    from scheduler.planning.soaking import Begun
    from scheduler.site.model import Plant

# Rain at least so probable, and bringing at least so much of every due plant's want, puts a watering off ...
RAIN_PROBABILITY = 0.7
RAIN_SHARE = 0.5
# ... unless a plant is overdue by this (depletion over readily available water; ours): the bound of it.
OVERDUE_LIMIT = 1.2


def waits_for(
    model: GardenModel,
    zone_id: str,
    needs: Mapping[str, PlantNeed],
    rain_mm: float,
    begun: Begun | None = None,
) -> bool:
    """Whether so much rain, if it is probable, puts the zone off, or the rest of its run that has ``begun``.
    True where nothing in it is due, nor left of a run."""
    if begun is None:
        wants = [(n, p, n.wanted_l) for n, p in _due(model, zone_id, needs)]
    else:
        known = [needs[p] for p in model.zones[zone_id].plants if p in needs]
        rests = [(n, model.site.plant(n.plant), begun.rest_l.get(n.plant, 0.0)) for n in known]
        wants = [(n, p, min(rest_l, n.wanted_l)) for n, p, rest_l in rests if rest_l > 0.0]
    return all(
        p.container_l is None and n.overdue < OVERDUE_LIMIT and rain_mm * p.canopy_m2 >= RAIN_SHARE * wanted_l
        for n, p, wanted_l in wants
    )


def rain_bound(model: GardenModel, zone_id: str, needs: Mapping[str, PlantNeed]) -> tuple[Reason, ...]:
    """The least rain of today that would have put a zone off; nothing for containers and overdue plants."""
    due = _due(model, zone_id, needs)
    if not due or any(p.container_l is not None or n.overdue >= OVERDUE_LIMIT for n, p in due):
        return ()
    rain_mm = max(RAIN_SHARE * n.wanted_l / p.canopy_m2 for n, p in due)
    return (words.rain_would_put_off(model.site.units, rain_mm, RAIN_PROBABILITY),)


def _due(model: GardenModel, zone_id: str, needs: Mapping[str, PlantNeed]) -> list[tuple[PlantNeed, Plant]]:
    plants = model.zones[zone_id].plants
    return [(needs[p], model.site.plant(p)) for p in plants if p in needs and needs[p].due]
