"""Rain of past days that nobody told: planned as if none fell, and what would be otherwise had it fallen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

from scheduler.agronomy.need import PlantNeed, plant_need
from scheduler.control.ledger import REVISED_DAYS, zones_after_today
from scheduler.control.rain import believed_rain
from scheduler.control.state import State
from scheduler.planning.plan import Reason
from scheduler.site.showing import show_rain


def unknown_rain(state: State, day: date, needs: Mapping[str, PlantNeed]) -> tuple[Reason, ...]:
    """One reason while rain of the last days is not known; nothing where all of it is.

    It names the days, the rain that was forecast for them where it was, and the zones that are watered now
    and would not be due had it fallen.
    """
    first = day - timedelta(days=REVISED_DAYS - 1)
    if state.base_day is not None:
        first = max(first, state.base_day + timedelta(days=1))
    past = (first + timedelta(days=n) for n in range((day - first).days))
    unknown = [d for d in past if believed_rain(state, d).rain_mm is None]
    if not unknown:
        return ()
    forecast = [d.rain_mm for d in state.weather if d.day in unknown and d.rain_mm is not None]
    might_mm = sum(forecast, 0.0)  # of no days it would be an int, of which the store warns
    names = ", ".join(f"{d:%A %d %B}" for d in unknown)
    text = f"Rain is not known for {names}; none is counted on. "
    if len(forecast) < len(unknown) and might_mm == 0.0:
        text += "Nobody forecast it either: if it rained, tell it (fallinghead rained)."
    elif might_mm == 0.0:
        text += "None was forecast."
    else:
        spared = _spared(state, day, needs, might_mm)
        otherwise = f"{', '.join(spared)} would not be due" if spared else "the same zones would be due"
        text += f"Had the {show_rain(might_mm, state.site.units)} fallen that were forecast, {otherwise}."
    figures = (("days", float(len(unknown))), ("forecast_mm", might_mm))
    return (Reason("weather_estimated", text, figures),)


def _spared(state: State, day: date, needs: Mapping[str, PlantNeed], rain_mm: float) -> list[str]:
    """Names of zones with a due plant of which none would be due after so much rain."""
    zones = zones_after_today(state, day)
    found = []
    for zone in state.site.zones:
        plants = {e.plant for e in zone.emitters if e.plant is not None}
        due = [p for p in plants if p in needs and needs[p].due]
        if due and not any(_still_due(state, day, needs[p], zones[p].depletion_mm - rain_mm) for p in due):
            found.append(zone.name)
    return sorted(found)


def _still_due(state: State, day: date, need: PlantNeed, depletion_mm: float) -> bool:
    plant = state.site.plant(need.plant)
    zone = next(z for z in state.zones_now if z.plant == need.plant)
    use = dict(need.figures).get("use_mm_day")
    wetter = replace(zone, depletion_mm=max(0.0, depletion_mm))
    return plant_need(plant, wetter, day, etc_mm=use if isinstance(use, float) else None).due
