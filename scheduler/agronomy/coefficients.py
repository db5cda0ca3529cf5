"""The share of the reference evapotranspiration that a plant uses: crop coefficient or plant factor.

Crop coefficients are FAO-56's (1998) Table 12, joined by straight lines between the stages (its Fig 34,
Eq 66). Ornamental plants have a plant factor for the whole season (ANSI/ASABE S623, WUCOLS).
"""

from __future__ import annotations

from datetime import date

from scheduler.site.catalogue import KINDS, PlantKind
from scheduler.site.model import Plant


def kind_of(plant: Plant) -> PlantKind:
    """What the site file says of the plant's kind, else its row in the catalogue. ValueError where its kind
    is in neither."""
    if plant.own_kind is not None:
        return plant.own_kind
    try:
        return KINDS[plant.kind]
    except KeyError:
        raise ValueError(
            f"plant {plant.id!r} is of kind {plant.kind!r}, which is not in the catalogue"
        ) from None


def stage_coefficient(
    days_since_planting: int, stages_d: tuple[int, int, int, int], kc_ini: float, kc_mid: float, kc_end: float
) -> float:
    """Kc on a day of the season (Eq 66): flat, rising, flat, falling; the end value after the last stage.

    ``stages_d`` are the lengths of the initial, development, mid and late stage in days.
    """
    initial, development, mid, late = stages_d
    day = days_since_planting
    if day <= initial:
        return kc_ini
    if day <= initial + development:
        return kc_ini + (day - initial) / development * (kc_mid - kc_ini)
    into_late = day - initial - development - mid
    if into_late <= 0:
        return kc_mid
    if into_late >= late:
        return kc_end
    return kc_mid + into_late / late * (kc_end - kc_mid)


def plant_coefficient(plant: Plant, day: date) -> float:
    """The plant's share of ET0 on a day.

    The owner's own factor wins. Before its plant date a plant uses nothing. A crop whose plant date or stage
    lengths are unknown is taken at its mid-season value, the thirstiest.
    """
    if plant.planted is not None and day < plant.planted:
        return 0.0
    if plant.plant_factor is not None:
        return plant.plant_factor
    kind = kind_of(plant)
    if kind.method == "factor":
        return _known(kind, "plant_factor")
    kc_mid = _known(kind, "kc_mid")
    if kind.stages_d is None or plant.planted is None:
        return kc_mid
    ini, end = _known(kind, "kc_ini"), _known(kind, "kc_end")
    return stage_coefficient((day - plant.planted).days, kind.stages_d, ini, kc_mid, end)


def _known(kind: PlantKind, name: str) -> float:
    value: float | None = getattr(kind, name)
    if value is None:
        raise ValueError(f"plant kind {kind.key!r} has no {name}")
    return value
