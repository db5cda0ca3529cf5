"""The rest test: litres a day that leave the barrels with every valve shut.

Each level is turned into the litres that the same water would fill at 20 degC, so that warming and cooling
fall out; rain that came in is taken off and what evaporated put back. A straight line through these litres by
weighted least squares is the leak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.water import TEMPERATURE_MAX_C, TEMPERATURE_MIN_C, density_kgm3
from scheduler.sensing.scale import ASSUMED_AIR_C, MEASURED_AIR_SD_C, SOUND_PER_C_MS, sound_speed_ms
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume
from scheduler.supply.roof import roof_catch_l
from scheduler.supply.stage import StageStorage, stage_storage
from scheduler.survey.intervals import Measured, error_scale
from scheduler.survey.tests_done import LeakAtRest, RestReading

Array = NDArray[np.float64]

LeakClass = Literal["tight", "leaks", "cannot tell", "gains"]

HOURS_PER_DAY = 24.0
# One sd of a level read by hand, m (ruler or sight tube; common practice, no source).
HAND_SD_M = 0.005
# Walls of the barrels, change of a length for each degC: steel 0.12e-4, high-density polyethylene 1.2e-4 to
# 2e-4 (handbook values, from memory). The site file does not say which, so the middle and its spread.
WALL_PER_C, WALL_SD_PER_C = 1.0e-4, 0.6e-4
STEEL_PER_C = 0.12e-4
# How far the temperature of the water where it is measured is from that of all of it, one sd, degC.
WATER_SD_C = 0.5
# Where no water temperature was noted, its change from start to end may be this, one sd, degC.
UNKNOWN_CHANGE_SD_C = 3.0
# Lids leave next to nothing to evaporate: mm a day, and one sd. Open water loses a few where it was not
# measured (FAO-56 table 2: 1 to 7 mm a day of reference evapotranspiration in temperate places).
COVERED_MM_D, COVERED_SD_MM_D = 0.1, 0.1
OPEN_MM_D, OPEN_SD_MM_D = 3.5, 2.0
# A dish beside the barrel tells their evaporation to a third; rain that a roof brings in, to a third too.
TOLD_SHARE = 0.3
# A leak below this is no matter, L a day: a drop a second is about 4 (20 drops to the mL).
TIGHT_L_D = 5.0
# Least length of a rest (the trade's practice is 12 to 24 h).
LEAST_H = 12.0


@dataclass(frozen=True, slots=True)
class LeakFound:
    """``leak_l_d``: litres a day leaving, with its 95 % interval; below 0 water came in.

    ``raw_l_d`` is by the levels alone. The three corrections say what was allowed for over the whole rest, in
    litres: by how much warming swelled the water against its barrels, what came in as rain, what evaporated.
    ``hours``: length of the rest. ``noticeable_l_d``: the smallest leak that this test would have told.
    """

    leak_l_d: Measured
    raw_l_d: float
    swelling_l: float
    rain_l: float
    evaporated_l: float
    hours: float
    noticeable_l_d: float
    grade: LeakClass
    verdict: str

    @property
    def found(self) -> bool:
        """Water leaves, surely."""
        return self.leak_l_d.low > 0.0


def leak_test(
    site: Site,
    record: LeakAtRest,
    *,
    level_sd_m: float | None = None,
    walls: tuple[float, float] = (WALL_PER_C, WALL_SD_PER_C),
) -> LeakFound:
    """What a rest says of leaks. ``level_sd_m``: of each level; by default as it was read. ``walls``: growth
    of a length of the barrels for each degC, and its sd.

    UsageError when the readings are not in order of time.
    """
    stage = stage_storage(site.tank)
    hours = np.array([(r.at - record.readings[0].at).total_seconds() / 3600.0 for r in record.readings])
    if (np.diff(hours) <= 0.0).any():
        raise UsageError("the readings of a rest stand in the order of their times")
    levels = np.array([_level(site, record, r) for r in record.readings])
    swollen, swollen_sd = _swelling(stage, record, levels, walls)
    litres = np.array([stage.volume_l(float(level)) for level in levels])
    errors = 1000.0 * np.array([stage.area_m2(float(level)) for level in levels])
    errors *= np.array([_level_sd(site, r, record, level_sd_m) for r in record.readings])
    span_d = float(hours[-1]) / HOURS_PER_DAY
    surface = stage.area_m2(float(levels.mean()))
    rain, rain_sd = _rain(site, record, surface)
    gone, gone_sd = _evaporated(record, surface, span_d)
    slope, slope_sd, times = _line(hours / HOURS_PER_DAY, litres - swollen, errors)
    raw, _, _ = _line(hours / HOURS_PER_DAY, litres, errors)
    sd = math.hypot(slope_sd, math.hypot(swollen_sd, rain_sd, gone_sd) / span_d)
    leak = Measured.of((rain - gone) / span_d - slope, sd, times)
    found = LeakFound(
        leak_l_d=leak,
        raw_l_d=-raw,
        swelling_l=float(swollen[-1] - swollen[0]),
        rain_l=rain,
        evaporated_l=gone,
        hours=float(hours[-1]),
        noticeable_l_d=times * sd,
        grade=_grade(leak),
        verdict="",
    )
    return replace(found, verdict=_verdict(site, record, found))


def _level(site: Site, record: LeakAtRest, reading: RestReading) -> float:
    """An echo that was turned into a level at 20 degC, put right for the air it went through."""
    sensor = site.sensor
    if record.by != "sensor" or sensor is None or sensor.kind != "echo" or reading.air_c is None:
        return reading.level_m
    face_m = sensor.mount_height_m - site.tank.outlet_height_m
    distance_m = face_m - reading.level_m
    return face_m - distance_m * sound_speed_ms(reading.air_c) / sound_speed_ms(ASSUMED_AIR_C)


def _level_sd(site: Site, reading: RestReading, record: LeakAtRest, given_m: float | None) -> float:
    sensor = site.sensor
    if given_m is not None:
        return given_m
    if record.by == "hand" or sensor is None:
        return HAND_SD_M
    if sensor.kind != "echo":
        return sensor.noise_m
    # Air is warm under a lid at noon and cold at dawn, and not the same all the way down.
    distance_m = max(0.0, sensor.mount_height_m - site.tank.outlet_height_m - reading.level_m)
    warm_m = distance_m * SOUND_PER_C_MS * MEASURED_AIR_SD_C / sound_speed_ms(ASSUMED_AIR_C)
    return math.hypot(sensor.noise_m, warm_m)


def _swelling(
    stage: StageStorage, record: LeakAtRest, levels: Array, walls: tuple[float, float]
) -> tuple[Array, float]:
    """Litres above those that the same water shows at the first reading's temperature, and their error.

    The water under the outlet swells too, and shows above it. Barrels widen by twice the growth of a length.
    """
    temperatures = [r.water_c for r in record.readings]
    held = np.array([stage.volume_l(float(level)) for level in levels]) + stage.litres_below_outlet
    if temperatures[0] is None or temperatures[-1] is None:
        per_c = math.hypot(_swell_share(15.0, 16.0, walls[0]), 2.0 * walls[1])
        return np.zeros(len(levels)), UNKNOWN_CHANGE_SD_C * per_c * float(held.mean())
    hours = [(r.at - record.readings[0].at).total_seconds() for r in record.readings]
    known = [(h, t) for h, t in zip(hours, temperatures, strict=True) if t is not None]
    water = np.interp(hours, [h for h, _ in known], [t for _, t in known])
    water = np.clip(water, TEMPERATURE_MIN_C, TEMPERATURE_MAX_C)
    swollen = held * np.array([_swell_share(float(water[0]), float(t), walls[0]) for t in water])
    change = float(water[-1] - water[0])
    by_walls = 2.0 * walls[1] * change
    per_c = abs(_swell_share(float(water[0]), float(water[0]) + 1.0, walls[0]))
    by_thermometer = math.sqrt(2.0) * WATER_SD_C * per_c
    return swollen, math.hypot(by_walls, by_thermometer) * float(held.mean())


def _swell_share(from_c: float, to_c: float, walls_per_c: float) -> float:
    """Growth of what the level shows, as a share of all water, when it warms in its barrels."""
    hot = min(max(to_c, TEMPERATURE_MIN_C), TEMPERATURE_MAX_C)
    water = density_kgm3(from_c) / density_kgm3(hot) - 1.0
    return water - 2.0 * walls_per_c * (hot - from_c)


def _rain(site: Site, record: LeakAtRest, surface_m2: float) -> tuple[float, float]:
    """Litres of rain that came in, and one sd."""
    if not record.rain_mm:
        return 0.0, 0.0
    fell = 0.0 if record.covered else record.rain_mm * surface_m2
    roof = 0.0
    if not record.downpipe_off and site.roof is not None:
        roof = roof_catch_l(site.roof, record.rain_mm)
    return fell + roof, TOLD_SHARE * (fell + roof)


def _evaporated(record: LeakAtRest, surface_m2: float, days: float) -> tuple[float, float]:
    """Litres that evaporated, and one sd."""
    if record.covered:
        return COVERED_MM_D * days * surface_m2, COVERED_SD_MM_D * days * surface_m2
    if record.evaporation_mm is not None:
        litres = record.evaporation_mm * surface_m2
        return litres, TOLD_SHARE * litres
    return OPEN_MM_D * days * surface_m2, OPEN_SD_MM_D * days * surface_m2


def _line(days: Array, litres: Array, errors: Array) -> tuple[float, float, float]:
    """Slope (L a day), its error, and the t of its interval."""
    weights = errors**-2.0
    off = days - float(weights @ days / weights.sum())
    square = float(weights @ off**2)
    slope = float((weights * off) @ litres / square)
    middle = float(weights @ litres / weights.sum())
    missed = (litres - middle - slope * off) / errors
    widen, times = error_scale(float(missed @ missed), len(days) - 2)
    return slope, widen / math.sqrt(square), times


def _grade(leak: Measured) -> LeakClass:
    if leak.low > 0.0:
        return "leaks" if leak.high > TIGHT_L_D else "tight"
    if leak.high < 0.0:
        return "gains"
    return "tight" if leak.high <= TIGHT_L_D else "cannot tell"


def _verdict(site: Site, record: LeakAtRest, found: LeakFound) -> str:
    units, leak = site.units, found.leak_l_d
    words = []
    span = f"{show_volume(max(leak.low, 0.0), units)} to {show_volume(leak.high, units)}"
    if found.grade == "leaks":
        words.append(
            f"A leak of {show_volume(leak.value, units)} a day ({span}): find it before you measure on."
        )
    elif found.grade == "tight":
        words.append(f"Tight: no more than {show_volume(leak.high, units)} a day leave.")
    elif found.grade == "gains":
        words.append(
            f"The barrels gained {show_volume(-leak.value, units)} a day: look for water that runs in."
        )
    else:
        longer = found.hours * leak.sd / (TIGHT_L_D / 3.0)
        words.append(
            f"No leak is seen, but up to {show_volume(leak.high, units)} a day could hide in the reading "
            f"error: rest {show_duration(3600.0 * math.ceil(longer))}, or read the level more closely."
        )
    if found.hours < LEAST_H:
        words.append(f"The rest was only {show_duration(3600.0 * found.hours)} long; take 12 to 24 hours.")
    if any(r.water_c is None for r in (record.readings[0], record.readings[-1])):
        words.append("Note the water's temperature at start and end: warming hides a leak.")
    return " ".join(words)
