"""Faults of the level sensor over many seeds in virtual time: noticed within a day, seldom without cause.

A garden with a reading each quarter of an hour and a run each morning; after some healthy days the fault
begins at any hour. Noticed: the level is doubtful or unknown for two hours on end, or a doubt is to be told
(``sensing.doubt``; the alert ``level_doubtful``). Sizes of faults are ours, not of a source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from scheduler.sensing.belief import LevelReading
from scheduler.sensing.doubt import doubts
from scheduler.sensing.leak import Leak, leak_lph, learn_leak
from scheduler.sensing.level import belief_at, fresh_track, take_reading, valve_moved
from scheduler.sensing.scale import raw_at_level
from scheduler.supply.stage import stage_storage
from tests.support.gardens import small_garden

START = datetime(2012, 7, 20, 12, 0, tzinfo=UTC)
STEP = timedelta(minutes=15)
BASE = small_garden()
assert BASE.sensor is not None
SITE = replace(BASE, sensor=replace(BASE.sensor, interval_s=STEP.total_seconds()))
STAGE = stage_storage(SITE.tank)
NOISE_M = BASE.sensor.noise_m
RUN_H, RUN_M = 6, 0.004  # each local-ish morning a run lowers the level by so much
HEALTHY_DAYS = 3
SEEDS = 60
CONSECUTIVE = 8  # readings, two hours


def pings(
    fault: str, level_m: float, hours: float, rng: np.random.Generator, stuck: list[int]
) -> tuple[int, ...]:
    """``hours`` since the fault began; below 0 none has."""

    def raw(at_m: float) -> int:
        return raw_at_level(SITE, at_m + float(rng.normal(0.0, NOISE_M)), 20.0)[0]

    if hours < 0.0:
        return tuple(raw(level_m) for _ in range(5))
    if fault == "silence":
        return ()
    if fault == "stuck":
        if not stuck:
            stuck.extend(raw(level_m) for _ in range(5))
        return tuple(stuck)
    if fault == "spikes" and rng.random() < 0.4:
        shift_m = float(rng.uniform(-0.3, 0.3))
        return tuple(raw(level_m + shift_m) for _ in range(5))
    if fault == "spider":  # its echo comes now from the web, now from the water
        return tuple(raw(level_m + (0.25 if rng.random() < 0.5 else 0.0)) for _ in range(5))
    if fault == "offset":
        level_m -= 0.06
    if fault.startswith("drift"):
        level_m += float(fault.split()[1]) / 1000.0 * hours / 24.0
    return tuple(raw(level_m) for _ in range(5))


def noticed_after_h(fault: str, seed: int, days: float, leak_lph_true: float = 0.0) -> float | None:
    """Hours from the fault to its notice; of no fault at all, hours to a false one. None: never."""
    rng = np.random.default_rng(seed)
    began = START + timedelta(days=HEALTHY_DAYS, hours=float(rng.uniform(0.0, 24.0)))
    track, leak, level_m, poor = fresh_track(), None, 0.60, 0
    stuck: list[int] = []
    for i in range(int((HEALTHY_DAYS + 1 + days) * timedelta(days=1) / STEP)):
        at = START + i * STEP
        hours = -1.0 if fault == "none" else (at - began).total_seconds() / 3600.0
        if hours > 24.0 * days:
            return None
        if hours >= 0.0:
            level_m -= leak_lph_true * STEP.total_seconds() / 3600.0 / 1000.0 / STAGE.area_m2(level_m)
        if at.hour == RUN_H and at.minute == 0:
            seen = leak_lph(track, SITE, STAGE)
            leak = learn_leak(leak, seen) if seen is not None else leak
            lph = RUN_M * STAGE.area_m2(level_m) * 1000.0 * 12.0
            track = valve_moved(track, at - timedelta(minutes=5), SITE, drawing_lph=lph)
            level_m -= RUN_M
            track = valve_moved(track, at, SITE, drawing_lph=0.0)
        reading = LevelReading(at + timedelta(seconds=1), pings(fault, level_m, hours, rng, stuck), 20.0)
        track, belief = take_reading(track, reading, SITE, drawing_lph=0.0)
        poor = poor + 1 if belief.quality != "good" else 0
        told = doubts(track, SITE, at, leak=leak, dry=lambda: True, told=False)
        if (told or poor >= CONSECUTIVE) and (hours >= 0.0 or fault == "none"):
            return max(hours, 0.0)
    return None


@pytest.mark.parametrize("fault", ["stuck", "spikes", "spider", "silence", "offset", "drift 60"])
def test_a_fault_of_the_sensor_is_noticed_within_a_day(fault: str) -> None:
    found = [noticed_after_h(fault, seed, 1.0) for seed in range(SEEDS)]
    hours = [h for h in found if h is not None]
    print(f"\n{fault}: noticed in {len(hours)} of {SEEDS} seeds, median after {np.median(hours):.1f} h")
    assert len(hours) >= 0.99 * SEEDS


def test_a_healthy_sensor_is_seldom_doubted() -> None:
    days, seeds = 30, 6
    found = [noticed_after_h("none", seed, days) for seed in range(seeds)]
    false = sum(h is not None for h in found)
    print(f"\n{false} of {seeds} months with a doubt without a cause")
    assert false == 0


def test_a_leak_of_a_litre_an_hour_is_noticed_within_three_nights() -> None:
    for lph in (0.25, 0.5, 1.0):
        found = [noticed_after_h("leak", seed, 3.0, lph) for seed in range(20)]
        hours = [h for h in found if h is not None]
        print(f"\nleak of {lph} L/h: noticed in {len(hours)} of 20 seeds")
        assert lph < 1.0 or len(hours) == 20


def test_without_readings_nothing_speaks_against_the_sensor() -> None:
    assert doubts(fresh_track(), SITE, START, leak=Leak(0.1, 0.05), dry=lambda: True, told=False) == ()
    assert belief_at(fresh_track(), SITE, START).quality == "unknown"
