"""Levels at rest, the litres between two of them, and leaks."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from scheduler.sensing.belief import LevelReading
from scheduler.sensing.flow import drop_measured, rest_level
from scheduler.sensing.leak import CHANGED_RESTS, FORGETTING, Leak, leak_lph, learn_leak, watched_leak
from scheduler.sensing.level import LevelTrack, fresh_track, take_reading, valve_moved
from scheduler.sensing.scale import raw_at_level
from scheduler.sensing.trend import Trend
from scheduler.supply.stage import stage_storage
from tests.support.gardens import small_garden

START = datetime(2012, 7, 20, 2, 0, tzinfo=UTC)
SITE = small_garden()
STAGE = stage_storage(SITE.tank)
STEP_H = 1.0 / 12.0


def rest(
    track: LevelTrack,
    start: datetime,
    level_m: float,
    hours: float,
    rng: np.random.Generator,
    fall_m_h: float = 0.0,
) -> tuple[LevelTrack, datetime]:
    for i in range(1, int(hours / STEP_H) + 1):
        t = i * STEP_H
        seen_m = level_m - fall_m_h * t + float(rng.normal(0.0, 0.004))
        raw, _ = raw_at_level(SITE, seen_m, 20.0)
        at = start + timedelta(hours=t)
        track, _ = take_reading(track, LevelReading(at, (raw,), 20.0), SITE, drawing_lph=0.0)
    return track, start + timedelta(hours=hours)


def one_run(seed: int, *, fall_m_h: float, known_slope: bool) -> tuple[float, float, float]:
    """Measured litres, stated sd and true litres of a run between two rests of a day."""
    rng = np.random.default_rng(seed)
    slope = -fall_m_h if known_slope else None
    track, opened = rest(fresh_track(), START, 0.7, 24.0, rng, fall_m_h)
    before = rest_level(track, SITE, at=opened, slope_m_h=slope)
    track = valve_moved(track, opened, SITE, drawing_lph=100.0)
    closed = opened + timedelta(minutes=20)
    track = valve_moved(track, closed, SITE, drawing_lph=0.0)
    start_m = 0.7 - 24.0 * fall_m_h
    end_m = start_m - 0.05
    track, _ = rest(track, closed, end_m, 24.0, rng, fall_m_h)
    after = rest_level(track, SITE, end="after", slope_m_h=slope)
    assert before is not None and after is not None
    assert after.at == closed
    litres, sd = drop_measured(before, after, STAGE)
    return litres, sd, STAGE.volume_l(start_m) - STAGE.volume_l(end_m)


@pytest.mark.parametrize(("fall_m_h", "known"), [(0.0, False), (0.0006, False), (0.0006, True)])
def test_the_drop_is_measured_as_well_as_it_says(fall_m_h: float, known: bool) -> None:
    runs = [one_run(seed, fall_m_h=fall_m_h, known_slope=known) for seed in range(40)]
    errors = np.array([measured - true for measured, _, true in runs])
    sds = np.array([sd for _, sd, _ in runs])
    # Mean of 40 within three standard errors; the spread no more than the stated sd allows (chi2, 1 %).
    assert abs(errors.mean()) < 3.0 * sds.mean() / math.sqrt(40)
    assert errors.std() < 1.3 * sds.mean()
    # 4 mm of noise per reading on two drums is 2.1 L; the rests bring it well below.
    assert sds.mean() < 1.0


def test_a_known_trend_measures_better_than_a_fitted_one() -> None:
    assert (
        one_run(3, fall_m_h=0.0006, known_slope=True)[1] < one_run(3, fall_m_h=0.0006, known_slope=False)[1]
    )


def test_readings_before_the_water_has_settled_do_not_count() -> None:
    track = valve_moved(fresh_track(), START, SITE, drawing_lph=0.0)
    raw, _ = raw_at_level(SITE, 0.5, 20.0)
    soon = START + timedelta(seconds=30)
    track, _ = take_reading(track, LevelReading(soon, (raw,), 20.0), SITE, drawing_lph=0.0)
    assert track.after.n == 0 and rest_level(track, SITE) is None


def test_a_jump_at_rest_spoils_the_run_before_it_but_not_the_next_once_it_is_quiet() -> None:
    rng = np.random.default_rng(1)
    track, at = rest(valve_moved(fresh_track(), START, SITE, drawing_lph=0.0), START, 0.6, 5.0, rng)
    track, at = rest(track, at, 0.5, 1.0, rng)
    for end in ("before", "after"):
        level = rest_level(track, SITE, end=end)
        assert level is not None and level.disturbed
    track, _ = rest(track, at, 0.5, 5.0, rng)
    quiet, run_before = rest_level(track, SITE), rest_level(track, SITE, end="after")
    assert quiet is not None and not quiet.disturbed
    assert quiet.mean_m == pytest.approx(0.5, abs=0.002)
    assert run_before is not None and run_before.disturbed
    assert leak_lph(track, SITE, STAGE) is None


def test_a_leak_is_found_with_the_doubt_it_states() -> None:
    area_m2 = STAGE.area_m2(0.6)
    errors, sds = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        track, _ = rest(fresh_track(), START, 0.65, 24.0, rng, 0.3 / 1000.0 / area_m2)
        found = leak_lph(track, SITE, STAGE)
        assert found is not None
        errors.append(found[0] - 0.3)
        sds.append(found[1])
    assert abs(np.mean(errors)) < 3.0 * np.mean(sds) / math.sqrt(30)
    assert np.std(errors) < 1.3 * np.mean(sds)
    assert np.mean(sds) < 0.15  # L/h: half of the leak that a season must not hide


def test_a_short_rest_tells_no_leak() -> None:
    track, _ = rest(fresh_track(), START, 0.65, 3.0, np.random.default_rng(1))
    assert leak_lph(track, SITE, STAGE) is None


def test_two_leak_estimates_are_weighed_by_their_doubt() -> None:
    assert learn_leak(None, (0.3, 0.1)) == Leak(0.3, 0.1)
    found = learn_leak(Leak(0.2, 0.1 / FORGETTING), (0.4, 0.1))
    assert found.lph == pytest.approx(0.3)
    assert found.sd_lph == pytest.approx(0.1 / math.sqrt(2.0))


def test_one_odd_rest_changes_no_leak_but_several_alike_are_a_leak_that_began() -> None:
    leak = Leak(0.3, 0.05)
    once = learn_leak(leak, (2.0, 0.1))
    assert (once.lph, once.beyond) == (0.3, 1)
    assert learn_leak(once, (0.3, 0.1)).beyond == 0  # it was a can
    for _ in range(CHANGED_RESTS):
        leak = learn_leak(leak, (2.0, 0.1))
    assert (leak.lph, leak.beyond) == (2.0, 0)
    up_and_down = learn_leak(learn_leak(Leak(0.3, 0.05), (2.0, 0.1)), (-2.0, 0.1))
    assert (up_and_down.lph, up_and_down.beyond) == (0.3, -1)


def test_a_line_without_fading_is_that_of_ordinary_least_squares() -> None:
    rng = np.random.default_rng(5)
    hours = np.sort(rng.uniform(0.0, 30.0, 60))
    levels = 0.6 - 0.001 * hours + rng.normal(0.0, 0.004, 60)
    trend = Trend()
    for hour, level in zip(hours, levels, strict=True):
        trend = trend.add(START + timedelta(hours=float(hour)), float(level))
    line = trend.line_at(START + timedelta(hours=40.0), 0.004)
    slope, start = np.polyfit(hours, levels, 1)  # NumPy's own fit
    assert line is not None
    assert line.slope_m_h == pytest.approx(slope, rel=1e-6)
    assert line.level_m == pytest.approx(start + 40.0 * slope, rel=1e-6)
    # Textbook variance of a predicted mean: s2 (1/n + (x - mean)^2 / Sxx), s pooled with the stated noise.
    textbook = 0.004 * math.sqrt(1 / 60 + (40.0 - hours.mean()) ** 2 / ((hours - hours.mean()) ** 2).sum())
    assert line.level_sd_m == pytest.approx(textbook, rel=0.25)


def test_a_leak_is_counted_on_only_where_it_is_told_from_none() -> None:
    assert Leak(0.3, 0.1).sure_l_day == pytest.approx(7.2)
    assert Leak(0.3, 0.2).sure_l_day == 0.0
    assert Leak(-0.3, 0.01).sure_l_day == 0.0
    assert Leak(2.0, 0.1, beyond=1).sure_l_day == pytest.approx(48.0)  # it goes on, or more does
    assert Leak(2.0, 0.1, beyond=-1).sure_l_day == 0.0  # it may have stopped
    assert learn_leak(Leak(2.0, 0.1), (1.1, 0.1)).sure_l_day == pytest.approx(26.4)  # or become less
    once = learn_leak(Leak(2.0, 0.1), (0.9, 0.1))
    assert once.sure_l_day == 0.0  # a part of the time before it stopped may be in it
    assert learn_leak(once, (0.1, 0.1)).sure_l_day == 0.0
    twice = learn_leak(once, (0.9, 0.1))
    assert twice.sure_l_day == pytest.approx(21.6)
    assert watched_leak(twice, (2.1, 0.1)).sure_l_day == pytest.approx(48.0)
    assert learn_leak(twice, (4.0, 0.1)).sure_l_day == pytest.approx(48.0)


def test_a_part_of_a_rest_tells_of_a_change_and_adds_nothing_where_it_bears_out_what_is_known() -> None:
    leak = Leak(0.3, 0.05)
    assert watched_leak(leak, (0.4, 0.1)) == leak
    assert watched_leak(replace(leak, beyond=2), (0.4, 0.1)) == leak
    for _ in range(CHANGED_RESTS):
        leak = watched_leak(leak, (2.0, 0.1))
    assert leak == Leak(2.0, 0.1)
