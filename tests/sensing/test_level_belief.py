"""What readings make us believe, and which of them are refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.sensing.level import (
    SETTLE_MIN_S,
    LevelTrack,
    belief_at,
    fresh_track,
    measured_by_hand,
    settle_s,
    take_reading,
    valve_moved,
)
from scheduler.sensing.scale import raw_at_level
from scheduler.site.model import Barrel, BarrelLink, Roof, Site, Tank
from scheduler.supply.stage import stage_storage
from tests.support.gardens import small_garden

START = datetime(2012, 7, 20, 2, 0, tzinfo=UTC)
SITE = small_garden()
STEP = timedelta(seconds=300)


def reading(level_m: float, at: datetime, site: Site = SITE, air_c: float | None = 20.0) -> LevelReading:
    raw, _ = raw_at_level(site, level_m, air_c)
    return LevelReading(at, (raw, raw, raw), air_c)


def feed(
    level_of: Callable[[int], float],
    count: int,
    *,
    noise_m: float = 0.004,
    seed: int = 1,
    site: Site = SITE,
    drawing_lph: float = 0.0,
    track: LevelTrack | None = None,
    start: datetime = START,
) -> tuple[LevelTrack, list[LevelBelief]]:
    rng = np.random.default_rng(seed)
    track = fresh_track() if track is None else track
    beliefs = []
    for i in range(count):
        level_m = level_of(i) + float(rng.normal(0.0, noise_m))
        track, belief = take_reading(
            track, reading(level_m, start + i * STEP, site), site, drawing_lph=drawing_lph
        )
        beliefs.append(belief)
    return track, beliefs


def test_no_reading_is_no_level() -> None:
    belief = belief_at(fresh_track(), SITE, START)
    assert (belief.quality, belief.level_m, belief.low_m, belief.high_m) == ("unknown", None, None, None)


def test_the_median_of_the_pings_counts_not_a_stray_one() -> None:
    raw, _ = raw_at_level(SITE, 0.5, 20.0)
    track, belief = take_reading(
        fresh_track(), LevelReading(START, (raw, raw + 1, raw - 1, 400, 9000), 20.0), SITE, drawing_lph=0.0
    )
    assert belief.level_m == pytest.approx(0.5, abs=0.001)
    assert belief.quality == "good"
    assert len(track.recent) == 1


def test_the_interval_holds_the_true_level_nineteen_times_in_twenty() -> None:
    inside = 0
    trials = 300
    for seed in range(trials):
        zero_m = float(np.random.default_rng(1000 + seed).normal(0.0, 0.004))  # what a sensor's zero is off
        _, beliefs = feed(lambda i, z=zero_m: 0.6 + z, 10, seed=seed)
        low_m, high_m = beliefs[-1].low_m, beliefs[-1].high_m
        inside += low_m is not None and high_m is not None and low_m <= 0.6 <= high_m
    # 95 % of 300 with a binomial sd of 1.3 %; a wider interval than stated is no lie, a narrower one is.
    assert inside >= 0.92 * trials


def test_rest_averages_the_noise_down() -> None:
    ends = [feed(lambda i: 0.6, 20, seed=s)[1][-1].level_m for s in range(60)]
    # 4 mm over eight readings: 1.4 mm; the sample sd of 60 is within a quarter of it.
    assert np.std([e for e in ends if e is not None]) < 1.25 * 0.004 / np.sqrt(8)


def test_while_drawing_the_belief_follows_the_fall() -> None:
    area_m2 = stage_storage(SITE.tank).area_m2(0.6)
    fall_m = 90.0 / 12.0 / 1000.0 / area_m2  # 90 L/h over 300 s
    track, _ = feed(lambda i: 0.7, 12)
    track, beliefs = feed(
        lambda i: 0.7 - fall_m * (i + 1),
        12,
        drawing_lph=90.0,
        track=track,
        start=START + 12 * STEP,
        noise_m=0.001,
    )
    assert all(b.quality == "good" for b in beliefs)
    assert beliefs[-1].level_m == pytest.approx(0.7 - 12 * fall_m, abs=0.003)
    assert track.drawing_lph == 90.0


def test_a_jump_is_doubtful_until_three_readings_agree() -> None:
    track, _ = feed(lambda i: 0.7, 10)
    qualities = []
    for i in range(3):
        track, belief = take_reading(track, reading(0.55, START + (10 + i) * STEP), SITE, drawing_lph=0.0)
        qualities.append(belief.quality)
        if belief.quality == "doubtful":
            assert belief.level_m == pytest.approx(0.7, abs=0.01)
            assert belief.low_m is not None and belief.low_m <= 0.551
            assert "neither valve nor roof" in belief.why[0]
    assert qualities == ["doubtful", "doubtful", "good"]
    assert belief.level_m == pytest.approx(0.55, abs=0.01)
    assert track.disturbed


def test_one_stray_reading_changes_nothing() -> None:
    track, _ = feed(lambda i: 0.7, 10)
    track, stray = take_reading(track, reading(0.3, START + 10 * STEP), SITE, drawing_lph=0.0)
    track, after = take_reading(track, reading(0.7, START + 11 * STEP), SITE, drawing_lph=0.0)
    assert stray.quality == "doubtful"
    assert after.quality == "good"
    assert after.level_m == pytest.approx(0.7, abs=0.005)
    assert not track.disturbed


def test_a_fall_that_the_open_valve_explains_is_no_jump() -> None:
    track, _ = feed(lambda i: 0.7, 10)
    _, shut = take_reading(track, reading(0.66, START + 10 * STEP), SITE, drawing_lph=0.0)
    _, drawn = take_reading(track, reading(0.66, START + 10 * STEP), SITE, drawing_lph=250.0)
    assert (shut.quality, drawn.quality) == ("doubtful", "good")


def test_a_cloudburst_on_the_roof_is_believed_at_the_second_reading() -> None:
    site = replace(SITE, roof=Roof(20.0, 0.85, 0.5))
    track, _ = feed(lambda i: 0.4, 10, site=site)
    track, first = take_reading(track, reading(0.5, START + 10 * STEP, site), site, drawing_lph=0.0)
    track, second = take_reading(track, reading(0.56, START + 11 * STEP, site), site, drawing_lph=0.0)
    assert first.quality == "good" and first.high_m is not None and first.high_m >= 0.499
    assert second.level_m == pytest.approx(0.53, abs=0.02)


def test_a_slow_rise_is_followed() -> None:
    # Steady rain, 3 mm of level per reading: no single step is a jump.
    _, beliefs = feed(lambda i: 0.4 + 0.003 * i, 40)
    assert beliefs[-1].level_m == pytest.approx(0.4 + 0.003 * 39, abs=0.02)


@pytest.mark.parametrize("level_m", [0.95, -0.2])
def test_a_level_above_the_brim_or_under_the_floor_is_refused(level_m: float) -> None:
    track, _ = feed(lambda i: 0.7, 6)
    track, belief = take_reading(track, reading(level_m, START + 6 * STEP), SITE, drawing_lph=0.0)
    assert belief.quality == "doubtful"
    assert belief.level_m == pytest.approx(0.7, abs=0.01)


def test_an_echo_inside_the_blind_range_is_refused() -> None:
    assert SITE.sensor is not None
    site = replace(SITE, sensor=replace(SITE.sensor, blanking_m=0.4))
    _, belief = take_reading(fresh_track(), reading(0.7, START, site), site, drawing_lph=0.0)
    assert belief.quality == "unknown"
    assert "blind" in belief.why[0]


def test_a_sensor_that_repeats_itself_is_stuck() -> None:
    track = fresh_track()
    for i in range(20):
        track, belief = take_reading(track, reading(0.6, START + i * STEP), SITE, drawing_lph=0.0)
    assert belief.quality == "doubtful"
    assert "same raw value" in belief.why[0]


def test_a_coarse_float_may_repeat_itself_at_rest_but_not_while_water_is_drawn() -> None:
    assert SITE.sensor is not None
    ladder = replace(SITE.sensor, kind="float", mount_height_m=0.55, scale_m=0.01, noise_m=0.003)
    site = replace(SITE, sensor=ladder)
    track = fresh_track()
    for i in range(20):
        track, belief = take_reading(track, LevelReading(START + i * STEP, (60,)), site, drawing_lph=0.0)
    assert belief.quality == "good"
    for i in range(20, 40):
        track, belief = take_reading(track, LevelReading(START + i * STEP, (60,)), site, drawing_lph=120.0)
    assert belief.quality == "doubtful"
    assert "did not move" in belief.why[0]


def test_age_makes_doubtful_then_unknown() -> None:
    track, _ = feed(lambda i: 0.6, 10)
    last = START + 9 * STEP
    fresh, late, old = (belief_at(track, SITE, last + timedelta(minutes=m)) for m in (5, 30, 361))
    assert (fresh.quality, late.quality, old.quality) == ("good", "doubtful", "unknown")
    assert (old.level_m, old.low_m, old.high_m) == (None, None, None)
    assert late.low_m is not None and fresh.low_m is not None and late.low_m < fresh.low_m


def test_an_old_or_repeated_reading_changes_nothing() -> None:
    track, _ = feed(lambda i: 0.6, 10)
    again, _ = take_reading(track, reading(0.2, START), SITE, drawing_lph=0.0)
    assert again == track


def test_a_reading_without_pings_is_no_level() -> None:
    _, belief = take_reading(fresh_track(), LevelReading(START, ()), SITE, drawing_lph=0.0)
    assert belief.quality == "unknown" and belief.level_m is None


def test_a_persons_measure_moves_the_sensors_zero() -> None:
    track, _ = feed(lambda i: 0.6, 10)
    at = START + 9 * STEP + timedelta(seconds=60)
    track, belief = measured_by_hand(track, 0.59, at, SITE)
    assert belief.quality == "good"
    assert belief.level_m == pytest.approx(0.59, abs=1e-9)
    track, belief = take_reading(track, reading(0.6, START + 10 * STEP), SITE, drawing_lph=0.0)
    assert belief.level_m == pytest.approx(0.59, abs=0.003)
    assert not track.disturbed
    # The early close at a level is told to the node in the sensor's own counts.
    raw, _ = raw_at_level(SITE, 0.59, 20.0, offset_m=track.offset_m)
    assert abs(raw - raw_at_level(SITE, 0.6, 20.0)[0]) <= 12  # 2 mm


@pytest.mark.parametrize("measured_m", [0.11, 1.0])
def test_a_measure_far_from_the_sensors_word_says_nothing_of_its_zero(measured_m: float) -> None:
    """Somebody let half the water out since, or misread the tape: the sensor goes on by its own zero."""
    track, _ = feed(lambda i: 0.6, 10)
    track, belief = measured_by_hand(track, measured_m, START + 9 * STEP + timedelta(seconds=60), SITE)
    assert track.offset_m == 0.0
    assert belief.level_m == measured_m
    for n in range(10, 20):
        track, belief = take_reading(track, reading(0.6, START + n * STEP), SITE, drawing_lph=0.0)
    assert belief.level_m == pytest.approx(0.6, abs=0.003)


def test_measures_in_a_row_move_the_zero_no_further_than_it_can_be_off() -> None:
    track, _ = feed(lambda i: 0.6, 10)
    at = START + 9 * STEP + timedelta(seconds=60)
    for measured_m in (0.5, 0.4, 0.3):  # 10 cm at a time
        track, _ = measured_by_hand(track, measured_m, at, SITE)
    assert track.offset_m == pytest.approx(-0.1, abs=0.003)


def test_without_a_sensor_a_persons_measure_is_the_belief() -> None:
    site = replace(SITE, sensor=None)
    track, belief = measured_by_hand(fresh_track(), 0.4, START, site)
    assert belief.level_m == 0.4
    assert belief_at(track, site, START + timedelta(hours=7)).quality == "unknown"


def test_narrow_links_between_barrels_take_long_to_settle() -> None:
    # Slowest laminar mode of five 0.25 m2 barrels, links 1 m long, at 10 degC, computed by an independent
    # eigenvalue experiment: tau 9 s, 27 s and 124 s for 25, 19 and 13 mm bore.
    side = 0.5
    boxes = tuple(Barrel(f"b{i}", "box", 0.5, 0.9, length_m=side, width_m=side) for i in range(5))

    def wait_s(bore_m: float) -> float:
        return settle_s(Tank(boxes, 0.5, BarrelLink(bore_m, 1.0)))

    assert wait_s(0.025) == SETTLE_MIN_S
    assert wait_s(0.019) == pytest.approx(9 * 27.0, rel=0.02)
    assert wait_s(0.013) == pytest.approx(9 * 124.0, rel=0.02)
    assert settle_s(replace(SITE.tank, link=None)) == SETTLE_MIN_S


def test_a_run_between_two_readings_is_told_by_valve_moved() -> None:
    track, _ = feed(lambda i: 0.7, 10)
    opened = START + 9 * STEP + timedelta(seconds=20)
    track = valve_moved(track, opened, SITE, drawing_lph=300.0)
    track = valve_moved(track, opened + timedelta(seconds=200), SITE, drawing_lph=0.0)
    track, belief = take_reading(track, reading(0.668, START + 10 * STEP), SITE, drawing_lph=0.0)
    assert belief.quality == "good"
    assert belief.level_m == pytest.approx(0.668, abs=0.012)


@given(
    st.lists(
        st.tuples(st.integers(0, 12_000), st.floats(0.0, 400.0), st.floats(1.0, 8000.0)),
        min_size=1,
        max_size=40,
    )
)
def test_whatever_comes_an_interval_holds_its_value_and_the_track_stays_small(
    events: list[tuple[int, float, float]],
) -> None:
    track, at = fresh_track(), START
    for raw, drawing_lph, seconds in events:
        at += timedelta(seconds=seconds)
        track, belief = take_reading(track, LevelReading(at, (raw,)), SITE, drawing_lph=drawing_lph)
        assert len(track.recent) <= 8 and len(track.pending) <= 3
        if belief.known:
            assert belief.low_m is not None and belief.high_m is not None and belief.level_m is not None
            assert belief.low_m <= belief.level_m <= belief.high_m
        else:
            assert belief.quality == "unknown" and belief.low_m is None
