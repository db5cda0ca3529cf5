"""How many days the stored water lasts: a first cut by stepping day by day.

Three ways through the same days: *early* counts no rain and 15 % more use, *middle* the forecast rain times
its probability, *late* all forecast rain and 15 % less use. Rain that finds the barrels full is lost. Unknown
rain is never counted on: it adds nothing to any of them, and beyond the forecast no rain is assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from scheduler.agronomy.weather import Outlook
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import StoreOutlook
from scheduler.supply.roof import roof_catch_l

# Days looked ahead; beyond two months the sky decides, not the store (a choice of this project).
HORIZON_DAYS = 60
# Spread of the use about the expected (a first cut; reference ET of a week varies about so much in summer).
USE_SPREAD = 0.15


@dataclass(frozen=True, slots=True)
class RainDay:
    """Forecast rain of a day ahead, mm, and its probability; None: unknown."""

    rain_mm: float | None
    probability: float | None


def rain_ahead(outlook: Outlook | None, day: date) -> tuple[RainDay, ...]:
    """The forecast's days after ``day``, in order, as far as they follow without a gap."""
    if outlook is None:
        return ()
    found: list[RainDay] = []
    for weather in outlook.after(day):
        if (weather.day - day).days != len(found) + 1:
            break
        found.append(RainDay(weather.rain_mm, weather.rain_probability))
    return tuple(found)


def store_outlook(
    model: GardenModel,
    level_m: float | None,
    daily_use_l: Sequence[float],
    rain: Sequence[RainDay] = (),
    *,
    leak_l: float = 0.0,
    horizon_days: int = HORIZON_DAYS,
) -> StoreOutlook:
    """Usable litres and the days they last.

    ``daily_use_l`` begins today; its last value goes on. ``rain`` begins tomorrow. Usable is what stands
    above the lowest floor of any zone (reserve, or where its worst emitter stops). ``days_left`` n: n whole
    days can be watered; None: the store outlasts the horizon, or the use is unknown. Unknown level: all None.
    ``leak_l``: litres a day that a known leak takes, below the floor too.
    """
    if level_m is None:
        return StoreOutlook(None, None, None, None, None, horizon_days, leak_l)
    total_l = model.stage.volume_l(level_m)
    floor_l = model.stage.volume_l(model.lowest_floor_m)
    usable_l = max(0.0, total_l - floor_l)
    catch = [_catch(model, r) for r in rain]
    ways = (
        (1.0 + USE_SPREAD, [0.0 for _ in catch]),
        (1.0, [litres * (r.probability if r.probability is not None else 1.0)
               for litres, r in zip(catch, rain, strict=True)]),
        (1.0 - USE_SPREAD, catch),
    )  # fmt: skip
    early, middle, late = (
        _days(model, total_l, [u * factor for u in daily_use_l], way, leak_l, horizon_days)
        for factor, way in ways
    )
    return StoreOutlook(usable_l, total_l, early, middle, late, horizon_days, leak_l)


def _catch(model: GardenModel, rain: RainDay) -> float:
    return roof_catch_l(model.site.roof, rain.rain_mm) if rain.rain_mm is not None else 0.0


def _days(
    model: GardenModel,
    held_l: float,
    use_l: Sequence[float],
    catch_l: Sequence[float],
    leak_l: float,
    horizon_days: int,
) -> int | None:
    if not use_l:
        return None
    floor_l = model.stage.volume_l(model.lowest_floor_m)
    for day in range(horizon_days):
        if day >= 1 and day - 1 < len(catch_l):
            held_l = min(held_l + catch_l[day - 1], model.stage.full_l)
        use = use_l[min(day, len(use_l) - 1)]
        if use > max(0.0, held_l - floor_l):
            return day
        held_l = max(held_l - use - leak_l, 0.0)
    return None
