"""Raw counts and levels are each other's inverse, and the node's early close is never late."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.sensing.scale import (
    ASSUMED_AIR_C,
    level_from_raw,
    raw_at_level,
    raw_step_m,
    sound_speed_ms,
    temperature_sd_m,
)
from scheduler.site.errors import UsageError
from scheduler.site.model import LevelSensor, Site
from tests.support.gardens import small_garden


def garden(kind: str = "echo", scale_m: float | None = None) -> Site:
    site = small_garden()
    mount = {"echo": 1.6, "pressure": 0.5, "float": 0.5}[kind]
    return replace(site, sensor=LevelSensor(kind, "drum-1", mount, scale_m, 0.004))  # type: ignore[arg-type]


levels = st.floats(-0.05, 0.85)
airs = st.none() | st.floats(-10.0, 50.0)
offsets = st.floats(-0.05, 0.05)


def test_sound_speed_is_that_of_the_handbooks() -> None:
    # CRC Handbook of Chemistry and Physics, dry air, 1 atm: 331.45 m/s at 0 degC, 343.37 at 20 degC (from
    # memory); the linear form is good to 0.1 % there.
    assert sound_speed_ms(0.0) == pytest.approx(331.45, rel=1e-3)
    assert sound_speed_ms(20.0) == pytest.approx(343.37, rel=1e-3)


def test_twenty_degrees_of_error_over_ninety_centimetres_are_three_centimetres() -> None:
    # The trade's figure for an uncorrected echo: 32 mm for 20 C at 0.9 m.
    site = garden()
    raw, _ = raw_at_level(site, 1.6 - 0.9 - site.tank.outlet_height_m, 20.0)
    shift_m = level_from_raw(site, raw, 20.0) - level_from_raw(site, raw, 40.0)
    assert shift_m == pytest.approx(0.032, abs=0.001)


@given(levels, airs, offsets)
def test_an_echo_value_means_the_level_it_was_made_from(
    level_m: float, air_c: float | None, offset_m: float
) -> None:
    site = garden()
    raw, side = raw_at_level(site, level_m, air_c, offset_m=offset_m)
    assert side == "above"
    back_m = level_from_raw(site, raw, air_c, offset_m=offset_m)
    assert level_m - 1e-9 <= back_m <= level_m + raw_step_m(site.sensor, air_c) + 1e-9  # type: ignore[arg-type]


@given(levels, st.sampled_from(["pressure", "float"]), st.sampled_from([0.001, 0.0004, -0.002]), offsets)
def test_a_scaled_sensor_closes_at_the_level_or_above(
    level_m: float, kind: str, scale_m: float, offset_m: float
) -> None:
    site = garden(kind, scale_m)
    raw, side = raw_at_level(site, level_m, offset_m=offset_m)
    back_m = level_from_raw(site, raw, offset_m=offset_m)
    assert level_m - 1e-9 <= back_m <= level_m + abs(scale_m) + 1e-9
    lower_raw = raw + 10 if side == "above" else raw - 10
    assert level_from_raw(site, lower_raw, offset_m=offset_m) < back_m


def test_a_garden_without_sensor_or_scale_says_so() -> None:
    with pytest.raises(UsageError, match="no level sensor"):
        level_from_raw(replace(garden(), sensor=None), 3000.0)
    with pytest.raises(UsageError, match="scale"):
        level_from_raw(garden("pressure"), 100.0)


def test_an_unknown_air_temperature_widens_the_echo_only() -> None:
    site = garden()
    assert temperature_sd_m(site, 0.3, None) > temperature_sd_m(site, 0.3, ASSUMED_AIR_C) > 0.0
    assert temperature_sd_m(garden("pressure", 0.001), 0.3, None) == 0.0
