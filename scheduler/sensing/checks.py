"""The tests that a reading must pass: range, stuck sensor, jump."""

from __future__ import annotations

import math

from scheduler.sensing.scale import raw_step_m
from scheduler.sensing.track import LevelPoint, LevelTrack
from scheduler.sensing.water import drawn_down_m, surface_m2
from scheduler.site.model import LevelSensor, Site

# Readings that a belief at rest averages, and while water is drawn.
REST_READINGS = 8
DRAWING_READINGS = 3
# A reading this many sd from the expected is a jump; at 300 s a healthy sensor trips it about once a month.
JUMP_SIGMAS = 4.0
# So many readings in a row that agree make a jump believed; a rise that a cloudburst explains needs less.
CONFIRMING_READINGS = 3
CONFIRMING_RISE_READINGS = 2
# The newest three against the older ones: further apart than this, the older ones no longer hold.
SHIFT_SIGMAS = 4.5
# Heaviest rain over a reading's interval that the jump test allows for, mm/h (cloudburst).
RAIN_MAX_MM_H = 120.0
# The modelled flow may be this much too small before a fall becomes a jump.
DRAW_MARGIN = 1.5
# A level this far outside floor or brim is no level.
RANGE_MARGIN_M = 0.05
# A sensor whose noise spans this many counts does not repeat itself this often.
STUCK_COUNTS = 3.0
STUCK_READINGS = 12
# Pings that are looked at for scatter, and how far apart, in sd, the inner ones may lie: normal ones never do
# so by chance (a choice of ours); ripple while water is drawn adds.
SCATTER_PINGS = 5
SCATTER_SIGMAS = 8.0
SCATTER_MIN_M = 0.02


def range_faults(point: LevelPoint, raw: float, site: Site) -> tuple[str, ...]:
    sensor = site.sensor
    assert sensor is not None
    tank = site.tank
    barrel = next((b for b in tank.barrels if b.id == sensor.barrel), tank.barrels[0])
    floor_m = barrel.base_height_m - tank.outlet_height_m
    brim_m = floor_m + barrel.height_m
    if point.level_m > brim_m + RANGE_MARGIN_M:
        return (f"a reading of {point.level_m:.2f} m is above the brim at {brim_m:.2f} m",)
    if point.level_m < floor_m - RANGE_MARGIN_M:
        return (f"a reading of {point.level_m:.2f} m is below the barrel's floor at {floor_m:.2f} m",)
    if sensor.kind == "echo":
        distance_m = raw * raw_step_m(sensor, point.air_c)
        if distance_m < sensor.blanking_m:
            return (f"an echo from {distance_m:.2f} m is inside the blind {sensor.blanking_m:.2f} m",)
    return ()


def scatter_faults(pings: tuple[int, ...], sensor: LevelSensor, point: LevelPoint) -> tuple[str, ...]:
    """The pings of one reading, without one stray on either side, must agree: still water does not move."""
    if len(pings) < SCATTER_PINGS:
        return ()
    ordered = sorted(pings)
    step_m = raw_step_m(sensor, point.air_c)
    span_m = (ordered[-2] - ordered[1]) * step_m
    if span_m <= max(SCATTER_SIGMAS * sensor.noise_m, SCATTER_MIN_M, 2.0 * step_m):
        return ()
    return (f"the pings of one reading lie {1000.0 * span_m:.0f} mm apart",)


def stuck_faults(count: int, fall_m: float, sensor: LevelSensor, point: LevelPoint) -> tuple[str, ...]:
    step_m = raw_step_m(sensor, point.air_c)
    if count >= STUCK_READINGS and sensor.noise_m > STUCK_COUNTS * step_m:
        return (f"the sensor gave the same raw value {count} times",)
    if count > 1 and fall_m > max(3.0 * sensor.noise_m, 2.0 * step_m):
        return (f"the sensor did not move while about {1000.0 * fall_m:.0f} mm were drawn",)
    return ()


def _rain_rise_m(site: Site, seconds: float, area_m2: float) -> float:
    if site.roof is None:
        return 0.0
    rain_lph = RAIN_MAX_MM_H * site.roof.catchment_m2 * site.roof.runoff_coefficient
    return drawn_down_m(rain_lph, seconds, area_m2)


def expected_span(
    track: LevelTrack, point: LevelPoint, fall_lph: float, site: Site
) -> tuple[float, float, float]:
    """Lowest and highest level (m) that drawing and noise explain, and the highest that rain explains too."""
    assert site.sensor is not None
    base = track.recent[-(DRAWING_READINGS if fall_lph > 0.0 else REST_READINGS) :]
    mean_m = sum(p.level_m for p in base) / len(base)
    still = fall_lph <= 0.0 and site.roof is None
    area_m2 = 1.0 if still else surface_m2(site, mean_m)  # nothing flows, so no surface is asked
    slack_m = JUMP_SIGMAS * site.sensor.noise_m * math.sqrt(1.0 + 1.0 / len(base))
    # Averaged readings lie in the past: while drawing, the mean lags by up to the whole span of them.
    fall_m = DRAW_MARGIN * drawn_down_m(fall_lph, (point.at - base[0].at).total_seconds(), area_m2)
    rise_m = _rain_rise_m(site, (point.at - base[-1].at).total_seconds(), area_m2)
    # A run that no reading saw may have given more than modelled, or nothing.
    low_m = mean_m - fall_m - (DRAW_MARGIN - 1.0) * track.unseen_m - slack_m
    high_m = mean_m + track.unseen_m + slack_m
    return low_m, high_m, high_m + rise_m


def agreeing(
    pending: tuple[LevelPoint, ...], point: LevelPoint, fall_lph: float, site: Site
) -> tuple[LevelPoint, ...]:
    """Those pending readings, newest backwards, that the new one agrees with."""
    assert site.sensor is not None
    slack_m = JUMP_SIGMAS * site.sensor.noise_m * math.sqrt(2.0)
    kept: list[LevelPoint] = []
    for p in reversed(pending):
        seconds = (point.at - p.at).total_seconds()
        area_m2 = surface_m2(site, p.level_m)
        fall_m = DRAW_MARGIN * drawn_down_m(fall_lph, seconds, area_m2)
        rise_m = _rain_rise_m(site, seconds, area_m2)
        if not -slack_m - fall_m <= point.level_m - p.level_m <= slack_m + rise_m:
            break
        kept.append(p)
    return tuple(reversed(kept[: CONFIRMING_READINGS - 1]))


def shifted(recent: tuple[LevelPoint, ...], site: Site) -> bool:
    """Whether the newest three lie apart from the older ones: rain, a can, a leak that began."""
    older = recent[:-CONFIRMING_READINGS]
    if len(older) < CONFIRMING_READINGS or site.sensor is None:
        return False
    newer = recent[-CONFIRMING_READINGS:]
    gap_m = abs(sum(p.level_m for p in newer) / len(newer) - sum(p.level_m for p in older) / len(older))
    sd_m = site.sensor.noise_m * math.sqrt(1.0 / len(newer) + 1.0 / len(older))
    return gap_m > SHIFT_SIGMAS * sd_m
