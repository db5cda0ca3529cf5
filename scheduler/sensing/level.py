"""Readings -> believed water level, with an interval and a quality.

A reading is the median of its pings. It must lie between the barrel's floor and its brim (range test), must
not differ from what was believed by more than the roof, the open valve and noise explain (jump test), and
must move when water is drawn (stuck test). A jump is believed when three readings in a row agree on it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import median

from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.sensing.checks import (
    CONFIRMING_READINGS,
    CONFIRMING_RISE_READINGS,
    DRAWING_READINGS,
    REST_READINGS,
    agreeing,
    expected_span,
    range_faults,
    scatter_faults,
    shifted,
    stuck_faults,
)
from scheduler.sensing.scale import level_from_raw, raw_at_level, temperature_sd_m
from scheduler.sensing.track import (
    JUDGED_READINGS,
    NO_FADING_TREND,
    NO_NEAR_TREND,
    NO_TREND,
    LevelPoint,
    LevelTrack,
)
from scheduler.sensing.water import SETTLE_MIN_S, drawn_down_m, settle_s, surface_m2
from scheduler.site.model import Site

__all__ = [
    "SETTLE_MIN_S",
    "LevelPoint",
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
# Error that more readings do not average away: ripple, barrels not level with each other; common practice.
SLOW_SD_M = 0.002
# A person's reading with ruler or sight tube, one sd (2-3 mm on the ruler).
HAND_SD_M = 0.003
# The zero of a sensor mounted by hand and eye may be this far off; more is water that went or came, or a
# number misread (our choice).
ZERO_OFF_MAX_M = 0.15
# A reading this late makes the belief doubtful: intervals missed, and slack for the radio.
DOUBTFUL_INTERVALS = 2.0
DOUBTFUL_SLACK_S = 60.0
# Older than this a level is unknown (trade: "no reading 6 h" is a bad level sensor).
UNKNOWN_AGE = timedelta(hours=6)
# What an unheard tank may have lost to a leak or a tap meanwhile: widens the lower bound, litres per hour.
UNHEARD_LOSS_LPH = 2.0
# Readings of the first hours after a run tell where it ended.
AFTER_RUN_H = 8.0


def fresh_track() -> LevelTrack:
    """Nothing known yet."""
    return LevelTrack()


def valve_moved(track: LevelTrack, at: datetime, site: Site, *, drawing_lph: float) -> LevelTrack:
    """Tell the track that a valve began to open or finished closing; the flow is ``drawing_lph`` from now on.

    ``take_reading`` notices by itself when ``drawing_lph`` changes between readings; calling this keeps the
    instant exact and catches a run that fits between two readings. Ask for ``rest_level`` before calling it.
    """
    recent, fallen_m = _fallen(track, at, site)
    return track.changed(
        recent=recent,
        unseen_m=track.unseen_m + fallen_m,
        drawing_lph=drawing_lph,
        moved_at=at,
        settled_at=None if drawing_lph > 0.0 else at + timedelta(seconds=settle_s(site.tank)),
        after=NO_TREND,
        trend=NO_FADING_TREND,
        near=NO_NEAR_TREND,
        disturbed=False,
        pending=(),
    )


def _fallen(track: LevelTrack, at: datetime, site: Site) -> tuple[tuple[LevelPoint, ...], float]:
    """The readings brought to ``at`` by the modelled fall since the valve opened, and the newest's fall."""
    if track.drawing_lph <= 0.0 or not track.recent or track.moved_at is None:
        return track.recent, 0.0
    area_m2 = surface_m2(site, track.recent[-1].level_m)
    falls = [
        drawn_down_m(track.drawing_lph, (at - max(p.at, track.moved_at)).total_seconds(), area_m2)
        for p in track.recent
    ]
    moved = zip(track.recent, falls, strict=True)
    return tuple(replace(p, level_m=p.level_m - fall_m) for p, fall_m in moved), falls[-1]


def measured_by_hand(
    track: LevelTrack, level_m: float, at: datetime, site: Site
) -> tuple[LevelTrack, LevelBelief]:
    """A person measured the level: a calibration of the sensor's zero, not a jump.

    With readings to compare, the difference becomes the sensor's offset; without, the measure is the belief.
    Readings from before water was moved by hand, or while they jump, are of other water; so are readings too
    far away to be a zero that is off.
    """
    poured_at = track.poured_at
    sensed = tuple(p for p in track.recent if not p.by_hand and (poured_at is None or p.at > poured_at))
    fresh = bool(sensed) and not track.faults and (at - sensed[-1].at).total_seconds() <= _late_s(site)
    fresh = fresh and not track.pending
    shift_m = level_m - _estimate(track.changed(recent=sensed), site, at)[0] if fresh else 0.0
    if site.sensor is not None and fresh and abs(track.offset_m + shift_m) <= ZERO_OFF_MAX_M:
        track = replace(
            track,
            recent=tuple(replace(p, level_m=p.level_m + shift_m) for p in sensed),
            offset_m=track.offset_m + shift_m,
            after=NO_TREND,
            trend=NO_FADING_TREND,
            near=NO_NEAR_TREND,
        )
    else:
        # No reading to compare with: the measure is the level, and says nothing of the sensor's zero.
        track = track.changed(
            recent=(LevelPoint(at, level_m, None, by_hand=True),), offset_sd_m=track.offset_sd_m
        )
    track = track.changed(offset_sd_m=HAND_SD_M, pending=(), last_at=at, faults=(), jumped=None)
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
    if not reading.pings:
        fault = ("the sensor answered without a ping",)
        track = _judged(track.changed(drawing_lph=drawing_lph, last_at=reading.at, faults=fault))
        return track, belief_at(track, site, reading.at)
    raw = float(median(reading.pings))
    point = LevelPoint(
        reading.at, level_from_raw(site, raw, reading.air_c, offset_m=track.offset_m), reading.air_c
    )
    count, fall_m = _same(track, raw, point, fall_lph, site)
    faults = (
        range_faults(point, raw, site)
        or scatter_faults(reading.pings, sensor, point)
        or stuck_faults(count, fall_m, sensor, point)
    )
    track = track.changed(
        drawing_lph=drawing_lph,
        last_at=reading.at,
        same_raw=raw,
        same_count=count,
        same_fall_m=fall_m,
        pending=() if faults else track.pending,
        faults=faults,
    )
    if not faults:
        track = _judge_jump(track, point, fall_lph, site)
    return _judged(track), belief_at(track, site, reading.at)


def _judged(track: LevelTrack) -> LevelTrack:
    """With the verdict on the newest reading remembered."""
    return track.changed(refused=(*track.refused, bool(track.faults))[-JUDGED_READINGS:])


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
    late_s = age.total_seconds() - _late_s(site)
    lost_m = drawn_down_m(UNHEARD_LOSS_LPH, late_s, surface_m2(site, level_m)) if late_s > 0.0 else 0.0
    low_m = level_m - SIGMAS_95 * sd_m - lost_m
    high_m = level_m + SIGMAS_95 * sd_m
    if track.pending:
        low_m = min(low_m, *(p.level_m for p in track.pending))
        high_m = max(high_m, *(p.level_m for p in track.pending))
    return LevelBelief("doubtful" if why else "good", newest.at, level_m, low_m, high_m, why)


def _late_s(site: Site) -> float:
    interval_s = site.sensor.interval_s if site.sensor is not None else UNKNOWN_AGE.total_seconds()
    return DOUBTFUL_INTERVALS * interval_s + DOUBTFUL_SLACK_S


def _estimate(track: LevelTrack, site: Site, now: datetime) -> tuple[float, float]:
    """Level (m) at ``now`` and its sd (m), from the readings that still hold."""
    drawing = track.drawing_lph > 0.0 or (track.settled_at is not None and now < track.settled_at)
    points = track.recent[-(DRAWING_READINGS if drawing else REST_READINGS) :]
    newest = points[-1]
    if track.drawing_lph > 0.0:
        area_m2 = surface_m2(site, newest.level_m)
        moved = track.moved_at
        points_m = []
        for p in points:
            since = p.at if moved is None else max(p.at, moved)
            points_m.append(
                p.level_m - drawn_down_m(track.drawing_lph, (now - since).total_seconds(), area_m2)
            )
        level_m = sum(points_m) / len(points_m)
    else:
        level_m = sum(p.level_m for p in points) / len(points)
    noise_m = site.sensor.noise_m if site.sensor is not None else HAND_SD_M
    variance = noise_m**2 / len(points) + SLOW_SD_M**2 + track.offset_sd_m**2
    if site.sensor is not None:
        variance += temperature_sd_m(site, level_m, newest.air_c) ** 2
    return level_m, math.sqrt(variance)


def _same(track: LevelTrack, raw: float, point: LevelPoint, fall_lph: float, site: Site) -> tuple[int, float]:
    """How often this raw value has come in a row, and the fall (m) that drawing should have made since."""
    if track.same_raw != raw:
        return 1, 0.0
    seconds = (point.at - track.last_at).total_seconds() if track.last_at is not None else 0.0
    fall_m = drawn_down_m(fall_lph, seconds, surface_m2(site, point.level_m))
    return track.same_count + 1, track.same_fall_m + fall_m


def _judge_jump(track: LevelTrack, point: LevelPoint, fall_lph: float, site: Site) -> LevelTrack:
    if not track.recent:
        return _accept(track, point, site)
    low_m, high_m, rain_high_m = expected_span(track, point, fall_lph, site)
    if low_m <= point.level_m <= high_m:
        return _accept(track.changed(pending=()) if track.pending else track, point, site)
    pending = (*agreeing(track.pending, point, fall_lph, site), point)
    rain_may = high_m < point.level_m <= rain_high_m
    if len(pending) >= (CONFIRMING_RISE_READINGS if rain_may else CONFIRMING_READINGS):
        gap_m = point.level_m - _estimate(track, site, point.at)[0]
        return _restart(track if rain_may else track.changed(jumped=(point.at, gap_m)), pending, site)
    if rain_may:
        return track.changed(pending=pending)
    side = "above" if point.level_m > high_m else "below"
    gap_mm = 1000.0 * abs(point.level_m - _estimate(track, site, point.at)[0])
    fault = f"a reading is {gap_mm:.0f} mm {side} what was believed, which neither valve nor roof explains"
    return track.changed(pending=pending, faults=(fault,))


def _restart(track: LevelTrack, points: tuple[LevelPoint, ...], site: Site) -> LevelTrack:
    """Believe these readings and forget what came before them."""
    track = track.changed(
        recent=(),
        pending=(),
        faults=(),
        after=NO_TREND,
        trend=NO_FADING_TREND,
        near=NO_NEAR_TREND,
        disturbed=True,
    )
    for point in points:
        track = _accept(track, point, site)
    return track


def _accept(track: LevelTrack, point: LevelPoint, site: Site) -> LevelTrack:
    recent = (*track.recent, point)[-REST_READINGS:]
    if track.drawing_lph > 0.0:
        return track.changed(recent=recent)
    settled_at = track.settled_at if track.settled_at is not None else point.at
    if point.at < settled_at:
        return track.changed(recent=recent)
    recent = tuple(p for p in recent if p.at >= settled_at)
    if shifted(recent, site):
        track = track.changed(settled_at=settled_at, unseen_m=0.0)
        return _restart(track, recent[-CONFIRMING_READINGS:], site)
    after = track.after
    if (point.at - settled_at).total_seconds() <= AFTER_RUN_H * 3600.0:
        after = after.add(point.at, point.level_m)
    return track.changed(
        recent=recent,
        settled_at=settled_at,
        unseen_m=0.0,
        after=after,
        trend=track.trend.add(point.at, point.level_m),
        near=track.near.add(point.at, point.level_m),
    )
