"""Raw counts of a level sensor <-> height of the water above the outlet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from scheduler.site.errors import UsageError
from scheduler.site.model import LevelSensor, Site

RawSide = Literal["above", "below"]

# Speed of sound in air, c = a + b T, T in degC: textbook linear form about 0 degC.
SOUND_AT_ZERO_MS = 331.3
SOUND_PER_C_MS = 0.606
# Air temperature taken where the sensor reports none, degC, and how far (one sd) the truth may be from it.
ASSUMED_AIR_C = 20.0
ASSUMED_AIR_SD_C = 8.0
# The air column is seldom as warm as the sensor's own thermometer; one sd, common practice, no source.
MEASURED_AIR_SD_C = 2.0


def sound_speed_ms(air_c: float) -> float:
    """Speed of sound in air of ``air_c`` degC, m/s."""
    return SOUND_AT_ZERO_MS + SOUND_PER_C_MS * air_c


def _sensor(site: Site) -> LevelSensor:
    if site.sensor is None:
        raise UsageError(f"garden {site.id!r} has no level sensor; add a [sensor] table to its site file")
    return site.sensor


def _metres_per_count(sensor: LevelSensor) -> float:
    if sensor.scale_m is None or sensor.scale_m == 0.0:
        raise UsageError(f"the {sensor.kind} sensor needs a scale (metres per raw count) other than 0")
    return sensor.scale_m


def level_from_raw(site: Site, raw: float, air_c: float | None = None, *, offset_m: float = 0.0) -> float:
    """Level above the outlet (m) that a raw value means.

    Echo: raw is microseconds there and back, so the distance is ``raw / 2e6 * c``. Pressure cell and float:
    metres per count from the mounting height up. ``offset_m`` is what a person's check added.
    Raises UsageError for a garden without a sensor.
    """
    sensor = _sensor(site)
    if sensor.kind == "echo":
        speed_ms = sound_speed_ms(ASSUMED_AIR_C if air_c is None else air_c)
        surface_m = sensor.mount_height_m - raw * 1e-6 * speed_ms / 2.0
    else:
        surface_m = sensor.mount_height_m + raw * _metres_per_count(sensor)
    return surface_m - site.tank.outlet_height_m + offset_m


def raw_at_level(
    site: Site, level_m: float, air_c: float | None = None, *, offset_m: float = 0.0
) -> tuple[int, RawSide]:
    """The raw value at a level, and on which side of it the level is lower: the node's early close.

    Rounded to the side that closes early, never late. An echo's raw value rises as the water falls.
    """
    raws, side = raws_at_levels(site, (level_m,), air_c, offset_m=offset_m)
    return raws[0], side


def raws_at_levels(
    site: Site, levels_m: Sequence[float], air_c: float | None = None, *, offset_m: float = 0.0
) -> tuple[tuple[int, ...], RawSide]:
    """``raw_at_level`` of several levels at one temperature, and the side that they share."""
    sensor = _sensor(site)
    surfaces = [level_m - offset_m + site.tank.outlet_height_m for level_m in levels_m]
    mount_m = sensor.mount_height_m
    if sensor.kind == "echo":
        speed_ms = sound_speed_ms(ASSUMED_AIR_C if air_c is None else air_c)
        return tuple(max(0, math.floor((mount_m - m) * 2e6 / speed_ms)) for m in surfaces), "above"
    scale_m = _metres_per_count(sensor)
    if scale_m > 0.0:
        return tuple(math.ceil((m - mount_m) / scale_m) for m in surfaces), "below"
    return tuple(math.floor((m - mount_m) / scale_m) for m in surfaces), "above"


def raw_step_m(sensor: LevelSensor, air_c: float | None = None) -> float:
    """How far the level moves for one raw count, m."""
    if sensor.kind == "echo":
        return sound_speed_ms(ASSUMED_AIR_C if air_c is None else air_c) * 0.5e-6
    return abs(_metres_per_count(sensor))


def temperature_sd_m(site: Site, level_m: float, air_c: float | None) -> float:
    """What not knowing the air temperature adds to an echo's error, one sd in m; 0 for other kinds."""
    sensor = _sensor(site)
    if sensor.kind != "echo":
        return 0.0
    distance_m = max(0.0, sensor.mount_height_m - site.tank.outlet_height_m - level_m)
    sd_c = ASSUMED_AIR_SD_C if air_c is None else MEASURED_AIR_SD_C
    return distance_m * SOUND_PER_C_MS * sd_c / sound_speed_ms(ASSUMED_AIR_C if air_c is None else air_c)
