"""What each plant of a garden wants on a strong summer day: the measure by which a garden is laid out."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from scheduler.agronomy.need import daily_need_l
from scheduler.site.catalogue import KINDS
from scheduler.site.model import Plant, Site

# A strong summer day's reference evapotranspiration for the plants' wants, mm (a choice of this project).
WANT_ET0_MM = 5.0


def midsummer_wants(site: Site) -> dict[str, float]:
    """Litres a day each plant wants on a strong midsummer day: a crop at its thirstiest, whenever it is sown;
    a young tree in its first summer after planting."""
    return {p.id: daily_need_l(*_in_summer(site, p)) for p in site.plants}


def _in_summer(site: Site, plant: Plant) -> tuple[Plant, float, date]:
    """The plant as it is to be counted, and a midsummer day after it was planted."""
    kind = plant.own_kind or KINDS.get(plant.kind)
    if kind is not None and kind.stages_d is not None:
        plant = replace(plant, planted=None)  # without a date a crop is taken at mid-season
    year = plant.planted.year if plant.planted is not None else 2001
    month = 7 if site.place.latitude_deg >= 0.0 else 1
    day = date(year, month, 15)
    if plant.planted is not None and day < plant.planted + timedelta(days=1):
        day = date(year + 1, month, 15)
    return plant, WANT_ET0_MM, day
