"""Each plant in a line: what its roots hold, what it got today, whether the water reaches it."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.agronomy.need import available_mm
from scheduler.control.effects import RootZoneRecord
from scheduler.report.litres import SHORT_STRESS
from scheduler.site.model import Plant
from scheduler.site.showing import show_share, show_volume
from scheduler.survey.section import REACHED_LPH
from scheduler.web.drawing import REACH_WORDS, Reach, level_text
from scheduler.web.facts import Facts

# Less of what roots can hold is none (a choice of ours).
EMPTY_SHARE = 0.01
# A plant that falls dry this little above the outlet is reached down to it: no level is known better.
TO_THE_OUTLET_M = 0.005


@dataclass(frozen=True, slots=True)
class PlantRow:
    id: str
    name: str
    soil: str
    today: str
    look: Reach
    reach: str


def plant_rows(facts: Facts) -> list[PlantRow]:
    """Every plant of the garden, those in trouble first, then in the order of the site file."""
    rows = [_row(facts, plant) for plant in facts.site.plants]
    order: dict[Reach, int] = {"dry": 0, "dries": 1, "unknown": 2, "reached": 2}
    return sorted(rows, key=lambda r: order[r.look])


def _row(facts: Facts, plant: Plant) -> PlantRow:
    look = plant_reach(facts, plant.id)
    return PlantRow(
        id=plant.id,
        name=plant.name,
        soil=soil_words(plant, (facts.roots or {}).get(plant.id)),
        today=_today(facts, plant),
        look=look,
        reach=reach_words(facts, plant.id, look),
    )


def plant_reach(facts: Facts, plant: str) -> Reach:
    """By the survey's own levels: where its last emitter falls dry."""
    if facts.level_m is None:
        return "unknown"
    flow = facts.made.levels[facts.site.zone_of(plant).id].plant_flows_at
    if flow(facts.level_m)[plant] < REACHED_LPH:
        return "dry"
    if facts.after_m is not None and flow(facts.after_m)[plant] < REACHED_LPH:
        return "dries"
    return "reached"


def stops_m(facts: Facts, plant: str) -> float | None:
    """The level at which its last emitter falls dry, 0 to the outlet; None: it is never reached."""
    levels = facts.made.levels[facts.site.zone_of(plant).id]
    value = float(levels.plant_stops_m[levels.plants.index(plant)])
    return value if value == value else None


def reach_words(facts: Facts, plant: str, look: Reach) -> str:
    stops = stops_m(facts, plant)
    if stops is None:
        return "never reached, not even from full barrels"
    if stops < TO_THE_OUTLET_M:
        stops = 0.0
    below = f"dry below {level_text(stops, facts.site.units)}" if stops else "reached down to the outlet"
    if look == "unknown" and facts.status is not None and facts.status.winter is not None:
        return "no water until the garden is back"
    if look == "unknown":
        return "not known without the level"
    if look == "reached" and stops == 0.0:
        return below
    return f"{REACH_WORDS[look]}, {below}"


def soil_words(plant: Plant, record: RootZoneRecord | None) -> str:
    """What the roots hold of what they can, at the end of the last balanced day."""
    if record is None:
        return "roots not known yet"
    held = max(0.0, 1.0 - record.depletion_mm / available_mm(plant))
    holds = f"hold {show_share(held)}" if held >= EMPTY_SHARE else "are as dry as it can make them"
    text = f"roots {holds} on {record.day:%a %d %b}"
    return f"{text}, short of water" if record.stress > SHORT_STRESS else text


def _today(facts: Facts, plant: Plant) -> str:
    status = facts.status
    if status is None:
        return ""
    given = next((p.given_today_l for p in status.plants if p.id == plant.id), 0.0)
    return f"got {show_volume(given, facts.site.units)} today" if given > 0.0 else "nothing given today"
