"""Readings -> believed water level, with an interval and a quality.

A reading is the median of its pings. It must lie between the barrel's floor and its brim (range test), must
not differ from what was believed by more than the roof, the open valve and noise explain (jump test), and
must move when water is drawn (stuck test). A jump is believed when three readings in a row agree on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from statistics import median

from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.sensing.scale import level_from_raw, raw_at_level, raw_step_m, temperature_sd_m
from scheduler.sensing.trend import Trend
from scheduler.site.model import LevelSensor, Site, Tank
from scheduler.supply.stage import StageStorage, stage_storage

__all__ = [
    "LevelTrack",
    "belief_at",
    "fresh_track",
    "level_from_raw",
    "measured_by_hand",
    "raw_at_level",
    "settle_s",
    "take_reading",
    "valve_moved",
]

# 1.96 sd on either side hold 95 of 100 of a normal spread.
SIGMAS_95 = 1.96
# A sensor's zero against the outlet, one sd: what a ruler check leaves (ruler 2-3 mm) and a month adds.
ZERO_SD_M = 0.004
# Error that more readings do not average away: ripple, barrels not level with each other; common practice.
SLOW_SD_M = 0.002
# A person's reading with ruler or sight tube, one sd (2-3 mm on the ruler).
HAND_SD_M = 0.003
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
# A reading this late makes the belief doubtful: intervals missed, and slack for the radio.
DOUBTFUL_INTERVALS = 2.0
DOUBTFUL_SLACK_S = 60.0
# Older than this a level is unknown (trade: "no reading 6 h" is a bad level sensor).
UNKNOWN_AGE = timedelta(hours=6)
# What an unheard tank may have lost to a leak or a tap meanwhile: widens the lower bound, litres per hour.
UNHEARD_LOSS_LPH = 2.0
# Readings of the first hours after a run tell where it ended; later ones tell the trend before the next.
AFTER_RUN_H = 8.0
TREND_FADE_H = 12.0
# Shortest wait before the sensor's barrel stands for all: travel of the valve and ripple.
SETTLE_MIN_S = 120.0
# The slowest laminar mode of linked barrels is down to a millimetre after about this many time constants
# (hydraulic experiment on five linked barrels, 13 to 25 mm bore).
SETTLE_TIME_CONSTANTS = 9.0
# Kinematic viscosity of water at 10 degC, m2/s (IAPWS-97), and standard gravity, m/s2.
NU_10C_M2S = 1.3063e-6
GRAVITY_MS2 = 9.80665


NO_TREND = Trend()
NO_FADING_TREND = Trend(fade_h=TREND_FADE_H)


@dataclass(frozen=True, slots=True)
class LevelPoint:
    at: datetime
    level_m: float
    air_c: float | None


@dataclass(frozen=True, slots=True)
class LevelTrack:
    """What the belief remembers: a few accepted readings, and sums since the valve last moved."""

    recent: tuple[LevelPoint, ...] = ()
    pending: tuple[LevelPoint, ...] = ()
    drawing_lph: float = 0.0
    moved_at: datetime | None = None
    settled_at: datetime | None = None  # readings from here on are at rest; None: not known to be
    after: Trend = NO_TREND
    trend: Trend = NO_FADING_TREND
    disturbed: bool = False  # something other than the valve moved the level since it last moved
    offset_m: float = 0.0  # from a person's check
    offset_sd_m: float = ZERO_SD_M
    last_at: datetime | None = None  # last reading, accepted or not
    same_raw: float | None = None
    same_count: int = 0
    same_fall_m: float = 0.0  # what drawing should have lowered the level since the raw value last changed
    faults: tuple[str, ...] = ()


def fresh_track() -> LevelTrack:
    """Nothing known yet."""
    return LevelTrack()


@lru_cache(maxsize=8)
def _stage(tank: Tank) -> StageStorage:
    return stage_storage(tank)


@lru_cache(maxsize=8)
def settle_s(tank: Tank) -> float:
    """Seconds after the valve moved until the sensor's barrel stands level with the others.

    tau = A r / (2 (1 - cos(pi/N))), r = 128 nu L / (pi g D^4): slowest laminar mode of N equal barrels
    in a row.
    """
    if tank.link is None or len(tank.barrels) < 2:
        return SETTLE_MIN_S
    count = len(tank.barrels)
    stage = _stage(tank)
    area_m2 = max(0.01, stage.area_m2(stage.brim_level_m / 2.0)) / count
    resistance = 128.0 * NU_10C_M2S * tank.link.length_m / (math.pi * GRAVITY_MS2 * tank.link.bore_m**4)
    tau_s = area_m2 * resistance / (2.0 * (1.0 - math.cos(math.pi / count)))
    return max(SETTLE_MIN_S, SETTLE_TIME_CONSTANTS * tau_s)


def valve_moved(track: LevelTrack, at: datetime, site: Site, *, drawing_lph: float) -> LevelTrack:
    """Tell the track that a valve began to open or finished closing; the flow is ``drawing_lph`` from now on.

    ``take_reading`` notices by itself when ``drawing_lph`` changes between readings; calling this keeps the
    instant exact and catches a run that fits between two readings. Ask for ``rest_level`` before calling it.
    """
    return replace(
        track,
        drawing_lph=drawing_lph,
        moved_at=at,
        settled_at=None if drawing_lph > 0.0 else at + timedelta(seconds=settle_s(site.tank)),
        after=NO_TREND,
        trend=NO_FADING_TREND,
        disturbed=False,
        pending=(),
    )


def measured_by_hand(
    track: LevelTrack, level_m: float, at: datetime, site: Site
) -> tuple[LevelTrack, LevelBelief]:
    """A person measured the level: a calibration of the sensor's zero, not a jump.

    With readings to compare, the difference becomes the sensor's offset; without, the measure is the belief.
    """
    if site.sensor is not None and track.recent:
        shift_m = level_m - _estimate(track, site, at)[0]
        track = replace(
            track,
            recent=tuple(replace(p, level_m=p.level_m + shift_m) for p in track.recent),
            offset_m=track.offset_m + shift_m,
            after=NO_TREND,
            trend=NO_FADING_TREND,
        )
    else:
        track = replace(track, recent=(LevelPoint(at, level_m, None),))
    track = replace(track, offset_sd_m=HAND_SD_M, pending=(), last_at=at, faults=())
    return track, belief_at(track, site, at)


def take_reading(
    track: LevelTrack, reading: LevelReading, site: Site, *, drawing_lph: float
) -> tuple[LevelTrack, LevelBelief]:
    """Take one report of the sensor. ``drawing_lph`` is the modelled flow out of the open valve, 0 when shut.

    Readings no newer than the last change nothing. A garden without a sensor ignores them.
    """
    sensor = site.sensor
    if sensor is None or (track.last_at is not None and reading.at <= track.last_at):
        return track, belief_at(track, site, reading.at)
    if (drawing_lph > 0.0) != (track.drawing_lph > 0.0):
        fall_lph = max(drawing_lph, track.drawing_lph)
        track = valve_moved(track, reading.at, site, drawing_lph=drawing_lph)
    else:
        fall_lph = max(drawing_lph, track.drawing_lph)
        track = replace(track, drawing_lph=drawing_lph)
    if not reading.pings:
        track = replace(track, last_at=reading.at, faults=("the sensor answered without a ping",))
        return track, belief_at(track, site, reading.at)
    raw = float(median(reading.pings))
    point = LevelPoint(
        reading.at, level_from_raw(site, raw, reading.air_c, offset_m=track.offset_m), reading.air_c
    )
    track = _count_same(track, raw, point, fall_lph, site)
    faults = _range_faults(point, raw, site) or _stuck_faults(track, sensor, point)
    if faults:
        track = replace(track, last_at=reading.at, faults=faults, pending=())
    else:
        track = _judge_jump(replace(track, last_at=reading.at, faults=()), point, fall_lph, site)
    return track, belief_at(track, site, reading.at)


def belief_at(track: LevelTrack, site: Site, now: datetime) -> LevelBelief:
    """What the accepted readings let us believe at ``now``.

    Good; doubtful when the newest reading was refused or is late; unknown (all None) after six hours.
    """
    if not track.recent:
        return LevelBelief(quality="unknown", why=track.faults or ("no reading yet",))
    newest = track.recent[-1]
    age = now - newest.at
    if age > UNKNOWN_AGE:
        hours = age.total_seconds() / 3600.0
        return LevelBelief(
            quality="unknown", at=newest.at, why=(*track.faults, f"no good reading for {hours:.0f} h")
        )
    why = track.faults
    if age.total_seconds() > _late_s(site):
        why = (*why, f"the last good reading is {age.total_seconds() / 60.0:.0f} min old")
    level_m, sd_m = _estimate(track, site, now)
    area_m2 = _area_m2(site, level_m)
    lost_m = UNHEARD_LOSS_LPH * max(0.0, age.total_seconds() - _late_s(site)) / 3.6e6 / area_m2
    low_m = level_m - SIGMAS_95 * sd_m - lost_m
    high_m = level_m + SIGMAS_95 * sd_m
    if track.pending:
        low_m = min(low_m, *(p.level_m for p in track.pending))
        high_m = max(high_m, *(p.level_m for p in track.pending))
    return LevelBelief("doubtful" if why else "good", newest.at, level_m, low_m, high_m, why)


def _late_s(site: Site) -> float:
    interval_s = site.sensor.interval_s if site.sensor is not None else UNKNOWN_AGE.total_seconds()
    return DOUBTFUL_INTERVALS * interval_s + DOUBTFUL_SLACK_S


def _area_m2(site: Site, level_m: float) -> float:
    stage = _stage(site.tank)
    # Right at floor and brim a lying drum's surface vanishes; a tenth of the middle's is small enough.
    middle = stage.area_m2(stage.brim_level_m / 2.0)
    return max(stage.area_m2(min(max(level_m, 0.0), stage.brim_level_m)), 0.1 * middle)


def _fall_m(lph: float, seconds: float, area_m2: float) -> float:
    return lph * max(0.0, seconds) / 3.6e6 / area_m2


def _estimate(track: LevelTrack, site: Site, now: datetime) -> tuple[float, float]:
    """Level (m) at ``now`` and its sd (m), from the readings that still hold."""
    drawing = track.drawing_lph > 0.0 or (track.settled_at is not None and now < track.settled_at)
    points = track.recent[-(DRAWING_READINGS if drawing else REST_READINGS) :]
    newest = points[-1]
    if track.drawing_lph > 0.0:
        area_m2 = _area_m2(site, newest.level_m)
        moved = track.moved_at
        points_m = []
        for p in points:
            since = p.at if moved is None else max(p.at, moved)
            points_m.append(p.level_m - _fall_m(track.drawing_lph, (now - since).total_seconds(), area_m2))
        level_m = sum(points_m) / len(points_m)
    else:
        level_m = sum(p.level_m for p in points) / len(points)
    noise_m = site.sensor.noise_m if site.sensor is not None else HAND_SD_M
    variance = noise_m**2 / len(points) + SLOW_SD_M**2 + track.offset_sd_m**2
    if site.sensor is not None:
        variance += temperature_sd_m(site, level_m, newest.air_c) ** 2
    return level_m, math.sqrt(variance)


def _count_same(track: LevelTrack, raw: float, point: LevelPoint, fall_lph: float, site: Site) -> LevelTrack:
    if track.same_raw != raw:
        return replace(track, same_raw=raw, same_count=1, same_fall_m=0.0)
    seconds = (point.at - track.last_at).total_seconds() if track.last_at is not None else 0.0
    fall_m = _fall_m(fall_lph, seconds, _area_m2(site, point.level_m))
    return replace(track, same_count=track.same_count + 1, same_fall_m=track.same_fall_m + fall_m)


def _range_faults(point: LevelPoint, raw: float, site: Site) -> tuple[str, ...]:
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


def _stuck_faults(track: LevelTrack, sensor: LevelSensor, point: LevelPoint) -> tuple[str, ...]:
    step_m = raw_step_m(sensor, point.air_c)
    if track.same_count >= STUCK_READINGS and sensor.noise_m > STUCK_COUNTS * step_m:
        return (f"the sensor gave the same raw value {track.same_count} times",)
    if track.same_count > 1 and track.same_fall_m > max(3.0 * sensor.noise_m, 2.0 * step_m):
        return (f"the sensor did not move while about {1000.0 * track.same_fall_m:.0f} mm were drawn",)
    return ()


def _judge_jump(track: LevelTrack, point: LevelPoint, fall_lph: float, site: Site) -> LevelTrack:
    if not track.recent:
        return _accept(track, point, site)
    low_m, high_m, rain_high_m = _expected_span(track, point, fall_lph, site)
    if low_m <= point.level_m <= high_m:
        return _accept(replace(track, pending=()), point, site)
    pending = (*_agreeing(track.pending, point, fall_lph, site), point)
    rain_may = high_m < point.level_m <= rain_high_m
    if len(pending) >= (CONFIRMING_RISE_READINGS if rain_may else CONFIRMING_READINGS):
        return _restart(track, pending, site)
    if rain_may:
        return replace(track, pending=pending)
    side = "above" if point.level_m > high_m else "below"
    gap_mm = 1000.0 * abs(point.level_m - _estimate(track, site, point.at)[0])
    fault = f"a reading is {gap_mm:.0f} mm {side} what was believed, which neither valve nor roof explains"
    return replace(track, pending=pending, faults=(fault,))


def _rain_rise_m(site: Site, seconds: float, area_m2: float) -> float:
    if site.roof is None:
        return 0.0
    rain_lph = RAIN_MAX_MM_H * site.roof.catchment_m2 * site.roof.runoff_coefficient
    return _fall_m(rain_lph, seconds, area_m2)


def _expected_span(
    track: LevelTrack, point: LevelPoint, fall_lph: float, site: Site
) -> tuple[float, float, float]:
    """Lowest and highest level (m) that drawing and noise explain, and the highest that rain explains too."""
    assert site.sensor is not None
    base = track.recent[-(DRAWING_READINGS if fall_lph > 0.0 else REST_READINGS) :]
    mean_m = sum(p.level_m for p in base) / len(base)
    area_m2 = _area_m2(site, mean_m)
    slack_m = JUMP_SIGMAS * site.sensor.noise_m * math.sqrt(1.0 + 1.0 / len(base))
    # Averaged readings lie in the past: while drawing, the mean lags by up to the whole span of them.
    fall_m = DRAW_MARGIN * _fall_m(fall_lph, (point.at - base[0].at).total_seconds(), area_m2)
    rise_m = _rain_rise_m(site, (point.at - base[-1].at).total_seconds(), area_m2)
    return mean_m - fall_m - slack_m, mean_m + slack_m, mean_m + rise_m + slack_m


def _agreeing(
    pending: tuple[LevelPoint, ...], point: LevelPoint, fall_lph: float, site: Site
) -> tuple[LevelPoint, ...]:
    """Those pending readings, newest backwards, that the new one agrees with."""
    assert site.sensor is not None
    slack_m = JUMP_SIGMAS * site.sensor.noise_m * math.sqrt(2.0)
    kept: list[LevelPoint] = []
    for p in reversed(pending):
        seconds = (point.at - p.at).total_seconds()
        area_m2 = _area_m2(site, p.level_m)
        fall_m = DRAW_MARGIN * _fall_m(fall_lph, seconds, area_m2)
        rise_m = _rain_rise_m(site, seconds, area_m2)
        if not -slack_m - fall_m <= point.level_m - p.level_m <= slack_m + rise_m:
            break
        kept.append(p)
    return tuple(reversed(kept[: CONFIRMING_READINGS - 1]))


def _restart(track: LevelTrack, points: tuple[LevelPoint, ...], site: Site) -> LevelTrack:
    """Believe these readings and forget what came before them."""
    track = replace(
        track,
        recent=(),
        pending=(),
        faults=(),
        after=NO_TREND,
        trend=NO_FADING_TREND,
        disturbed=True,
    )
    for point in points:
        track = _accept(track, point, site)
    return track


def _accept(track: LevelTrack, point: LevelPoint, site: Site) -> LevelTrack:
    recent = (*track.recent, point)[-REST_READINGS:]
    if track.drawing_lph > 0.0:
        return replace(track, recent=recent)
    settled_at = track.settled_at if track.settled_at is not None else point.at
    if point.at < settled_at:
        return replace(track, recent=recent)
    recent = tuple(p for p in recent if p.at >= settled_at)
    track = replace(track, recent=recent, settled_at=settled_at)
    if _shifted(recent, site):
        return _restart(track, recent[-CONFIRMING_READINGS:], site)
    after = track.after
    if (point.at - settled_at).total_seconds() <= AFTER_RUN_H * 3600.0:
        after = after.add(point.at, point.level_m)
    return replace(track, after=after, trend=track.trend.add(point.at, point.level_m))


def _shifted(recent: tuple[LevelPoint, ...], site: Site) -> bool:
    """Whether the newest three lie apart from the older ones: rain, a can, a leak that began."""
    older = recent[:-CONFIRMING_READINGS]
    if len(older) < CONFIRMING_READINGS or site.sensor is None:
        return False
    newer = recent[-CONFIRMING_READINGS:]
    gap_m = abs(sum(p.level_m for p in newer) / len(newer) - sum(p.level_m for p in older) / len(older))
    sd_m = site.sensor.noise_m * math.sqrt(1.0 / len(newer) + 1.0 / len(older))
    return gap_m > SHIFT_SIGMAS * sd_m
