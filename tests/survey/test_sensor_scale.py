"""A sensor is fitted to a ruler."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from scheduler.sensing.scale import level_from_raw, raw_at_level
from scheduler.site.errors import UsageError
from scheduler.site.model import LevelSensor, Site
from scheduler.survey.sensor_scale import sensor_scale
from scheduler.survey.tests_done import HandLevel, SensorScale
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, tzinfo=UTC)


def pressure_garden() -> Site:
    return replace(small_garden(), sensor=LevelSensor("pressure", "drum-1", 0.5, 0.0005, 0.003))


def record(*pairs: tuple[float, float], air_c: float | None = None) -> SensorScale:
    readings = tuple(HandLevel(level_m=level, raw=raw, air_c=air_c) for level, raw in pairs)
    return SensorScale(at=AT, who="Ida", readings=readings)


def test_two_levels_give_scale_and_zero_of_a_pressure_cell() -> None:
    # Worked by hand: 0.4 m over 1000 counts is 0.4 mm a count; mount 0.5 m, outlet 0.55 m, so the file's zero
    # is -0.05 m and at 600 counts 0.19 m where the ruler shows 0.20 m.
    fit = sensor_scale(pressure_garden(), record((0.20, 600.0), (0.60, 1600.0)))
    assert fit.scale_m is not None and fit.scale_m.value == pytest.approx(0.0004)
    assert fit.offset_m.value == pytest.approx(0.01)
    assert fit.residual_sd_m is None and fit.scale_fitted
    # By the file the middle, 1100 counts, is 0.5 m; the ruler has 0.4 m there.
    assert fit.off_m is not None and fit.off_m.value == pytest.approx(-0.10)
    assert "read 10.0 cm too high at 40.0 cm" in fit.verdict
    assert "0.800 of what the site file says" in fit.verdict


def test_the_found_sensor_reads_what_the_ruler_reads() -> None:
    site = pressure_garden()
    fit = sensor_scale(site, record((0.20, 600.0), (0.60, 1600.0)))
    assert site.sensor is not None
    found = replace(site, sensor=fit.on(site.sensor))
    assert level_from_raw(found, 600.0) == pytest.approx(0.20)
    assert level_from_raw(found, 1600.0) == pytest.approx(0.60)


def test_a_sensor_drawn_without_a_scale_gets_one() -> None:
    bare = replace(small_garden(), sensor=LevelSensor("float", "drum-1", 0.5, None, 0.003))
    fit = sensor_scale(bare, record((0.20, 600.0), (0.60, 1600.0)))
    assert fit.off_m is None and fit.scale_m is not None and fit.scale_m.value == pytest.approx(0.0004)
    assert "now has a scale" in fit.verdict


def test_slope_and_its_error_are_those_of_a_straight_line_fit() -> None:
    # numpy.polyfit is the general reference library here.
    levels, raws = np.array([0.1, 0.31, 0.52, 0.69, 0.8]), np.array([300.0, 710.0, 1150.0, 1480.0, 1700.0])
    fit = sensor_scale(pressure_garden(), record(*zip(levels.tolist(), raws.tolist(), strict=True)))
    slope, zero = np.polyfit(raws, levels, 1)
    assert fit.scale_m is not None and fit.scale_m.value == pytest.approx(slope)
    assert fit.offset_m.value == pytest.approx(zero + 0.05)
    assert fit.residual_sd_m == pytest.approx(np.std(levels - slope * raws - zero) * np.sqrt(5 / 3))


def test_true_offset_lies_in_the_interval_about_as_often_as_it_says() -> None:
    site = small_garden()
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(200):
        pairs = [
            (level + rng.normal(0.0, 0.005), float(raw_at_level(site, level, 20.0, offset_m=0.03)[0]))
            for level in (0.15, 0.45, 0.75)
        ]
        got = sensor_scale(site, record(*pairs, air_c=20.0)).offset_m
        inside += got.low <= 0.03 <= got.high
    assert 0.90 <= inside / 200 <= 0.99


def test_an_echo_keeps_the_speed_of_sound_and_its_air() -> None:
    site = small_garden()
    raws = [float(raw_at_level(site, level, 30.0)[0]) for level in (0.2, 0.7)]
    fit = sensor_scale(site, record((0.2, raws[0]), (0.7, raws[1]), air_c=30.0))
    assert fit.scale_m is None and not fit.scale_fitted
    assert fit.offset_m.value == pytest.approx(0.0, abs=0.001)
    assert "zero is right" in fit.verdict


def test_an_echo_off_something_else_is_called_out() -> None:
    site = small_garden()
    raws = [float(raw_at_level(site, level, 20.0)[0]) for level in (0.30, 0.45, 0.60)]
    fit = sensor_scale(site, record((0.1, raws[0]), (0.45, raws[1]), (0.8, raws[2]), air_c=20.0))
    assert "see what its echo comes from" in fit.verdict


def test_one_level_gives_the_zero_only_and_says_so() -> None:
    fit = sensor_scale(pressure_garden(), record((0.20, 500.0)))
    assert fit.offset_m.value == pytest.approx(0.0) and not fit.scale_fitted
    assert "second one" in fit.verdict


def test_a_slip_of_the_ruler_is_named() -> None:
    pairs = [(0.1, 300.0), (0.3, 700.0), (0.5, 1100.0), (0.7, 1500.0), (0.8, 1700.0)]
    fit = sensor_scale(pressure_garden(), record(*pairs))
    assert fit.doubtful == () and fit.residual_sd_m is not None
    worse = sensor_scale(pressure_garden(), record(*pairs[:2], (0.56, 1100.0), *pairs[3:]))
    assert worse.doubtful == (2,) and "reading 3" in worse.verdict


def test_the_level_is_less_sure_away_from_the_levels_measured() -> None:
    fit = sensor_scale(pressure_garden(), record((0.20, 600.0), (0.60, 1600.0)))
    assert fit.level_sd_m(0.8) > fit.level_sd_m(0.4) == fit.offset_m.sd


def test_no_sensor_no_scale() -> None:
    with pytest.raises(UsageError, match="no level sensor"):
        sensor_scale(replace(small_garden(), sensor=None), record((0.2, 1.0), (0.6, 2.0)))


def test_close_levels_cannot_stand_in_for_a_missing_scale() -> None:
    bare = replace(small_garden(), sensor=LevelSensor("float", "drum-1", 0.5, None, 0.003))
    with pytest.raises(UsageError, match="10 cm apart"):
        sensor_scale(bare, record((0.20, 600.0), (0.21, 620.0)))
