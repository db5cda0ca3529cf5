"""Rain of a day that is over, as it is believed: who is trusted before whom, and what the barrels saw of it.

Typed rain goes first, then the garden's own gauge, then the weather service, which tells the rain of a grid
cell some kilometres wide. The roof's own catch, seen as a rise of the level, corrects the service within
limits, and where nobody told any rain it is credited at its low end. The water book keeps to what was told:
what the rise does not fit there stays to be seen as unexplained. A day's record keeps both, so that after a
restart the correction is not made a second time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from scheduler.control.effects import RecordWaterDay
from scheduler.control.leaks import OUTLET_M
from scheduler.control.state import State
from scheduler.sensing.level import SLOW_SD_M

# Readings whose mean is the level of one instant, for its noise (as the belief takes them).
READINGS_OF_ONE_LEVEL = 12
# Share of booked water that the model leaves open, one sd, where the level has not proven it.
DRAWN_SD_SHARE = 0.05
# Share of a roof's catch that its coefficient leaves open, one sd (from memory: 15 to 25 % between storms;
# the trade lists 0.75 to 0.95 by material).
ROOF_SD_SHARE = 0.2
# Standard normal quantile of 90 %: intervals are 10 to 90 %.
Z_90 = 1.2816
# So full, rain runs over unseen: the rise is the least that came (ripple and the sensor's error; ours).
FULL_SHARE = 0.97
# A service's figure is moved by no more than this factor: a gutter may be blocked by leaves, and water may
# have been added that nobody told (ours).
MOST_FACTOR = 3.0


@dataclass(frozen=True, slots=True)
class SeenRain:
    """Rain of a day by the rise of the barrels, mm, with its 10 to 90 % interval. ``high_mm`` is infinite
    where the barrels were full and rain ran over unseen; of empty ones a leak may have let some go as it
    came."""

    day: date
    rain_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class BelievedRain:
    """``rain_mm`` None: nobody knows. ``source``: "told", "typed or gauge", "corrected by the roof's catch",
    "seen in the barrels, at the least"."""

    rain_mm: float | None
    source: str


def level_sd_l(state: State, day: RecordWaterDay) -> float:
    """One sd of what the day's two levels, its draws and its leak leave open, litres. The sensor's constant
    zero cancels between the levels. Both levels must be known."""
    assert day.start_l is not None and day.end_l is not None
    noise_m = state.site.sensor.noise_m if state.site.sensor is not None else SLOW_SD_M
    level_sd_m = math.hypot(noise_m / math.sqrt(READINGS_OF_ONE_LEVEL), SLOW_SD_M)
    stage = state.model.stage
    per_m = 1000.0 * stage.area_m2(stage.level_m((day.start_l + day.end_l) / 2.0))
    leak_sd_l = state.leak.sure_sd_l_day if state.leak is not None else 0.0
    return math.hypot(math.sqrt(2.0) * level_sd_m * per_m, DRAWN_SD_SHARE * day.drawn_l, leak_sd_l)


def leaked_l(state: State, day: RecordWaterDay, came_l: float) -> float:
    """What the leak took of a day's water, of which so much came in: its litres, but of barrels that began or
    ended the day empty no more than went missing. Both levels must be known."""
    assert day.start_l is not None and day.end_l is not None
    leak_l = day.leak_l or 0.0
    if state.model.stage.level_m(min(day.start_l, day.end_l)) > OUTLET_M:
        return leak_l
    return min(leak_l, max(0.0, day.start_l + came_l - day.drawn_l - day.taken_l - day.end_l))


def seen_rain(state: State, day: RecordWaterDay) -> SeenRain | None:
    """The rain that the day's balance of the barrels speaks of; None without a roof or a known level."""
    roof = state.site.roof
    if roof is None or day.start_l is None or day.end_l is None:
        return None
    leaked = leaked_l(state, day, day.added_l)
    caught_l = day.end_l - day.start_l + day.drawn_l + day.taken_l + leaked - day.added_l
    per_mm = roof.catchment_m2 * roof.runoff_coefficient
    unseen_mm = ((day.leak_l or 0.0) - leaked) / per_mm
    sd_l = level_sd_l(state, day)
    full = max(day.start_l, day.end_l) >= FULL_SHARE * state.model.stage.full_l
    if caught_l <= 2.0 * sd_l:  # no rise beyond chance: at the most the first flush and what chance hides
        high = roof.first_flush_mm + Z_90 * max(0.0, caught_l + sd_l) / per_mm + unseen_mm
        return SeenRain(day.day, 0.0, 0.0, math.inf if full else high)
    came_mm = caught_l / per_mm
    sd_mm = math.hypot(sd_l / per_mm, ROOF_SD_SHARE * came_mm)
    low = roof.first_flush_mm + max(0.0, came_mm - Z_90 * sd_mm)
    high = math.inf if full else roof.first_flush_mm + came_mm + Z_90 * sd_mm + unseen_mm
    return SeenRain(day.day, roof.first_flush_mm + came_mm, low, high)


def measured_mm(state: State, day: date) -> float | None:
    """Rain of a day as typed or by the gauge; None where neither tells."""
    return next((mm for on, mm in reversed(state.rain_typed) if on == day), None)


def told_mm(state: State, day: date) -> float | None:
    """Rain of a day that is over as the service tells it; None while only a forecast of it is known."""
    if day not in state.rain_known:
        return None
    return next((d.told_mm for d in state.weather if d.day == day), None)


def _on_record(state: State, day: date) -> BelievedRain | None:
    """What was believed before a restart, of a day whose balance of the barrels is not kept any more."""
    found = next((d for d in state.weather if d.day == day and d.rain_by), None)
    return BelievedRain(found.rain_mm, found.rain_by) if found is not None else None


def believed_rain(state: State, day: date) -> BelievedRain:
    """What the balance of the root zones goes by."""
    own = measured_mm(state, day)
    if own is not None:
        return BelievedRain(own, "typed or gauge")
    told = told_mm(state, day)
    closed = next((d for d in state.water_days if d.day == day), None)
    seen = seen_rain(state, closed) if closed is not None else None
    if seen is None:
        return _on_record(state, day) or BelievedRain(told, "told")
    if told is None:
        low = seen.low_mm if seen.rain_mm > 0.0 else None
        return BelievedRain(low, "seen in the barrels, at the least" if low is not None else "told")
    if seen.low_mm <= told <= seen.high_mm:
        return BelievedRain(told, "told")
    aim = seen.low_mm if math.isinf(seen.high_mm) else seen.rain_mm
    moved = min(max(aim, told / MOST_FACTOR), told * MOST_FACTOR)
    return (
        BelievedRain(moved, "corrected by the roof's catch") if moved != told else BelievedRain(told, "told")
    )
