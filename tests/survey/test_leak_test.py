"""A leak is told from warming, rain, and the ruler's error."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from scheduler.planning.garden import garden_model
from scheduler.site.errors import UsageError
from scheduler.site.model import Roof
from scheduler.survey.leak_test import STEEL_PER_C, leak_test
from scheduler.survey.tests_done import LeakAtRest, RestReading
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, 6, 0, tzinfo=UTC)
SITE = small_garden()
STAGE = garden_model(SITE).stage


def reading(hours: float, level_m: float, **more: float) -> RestReading:
    return RestReading(at=AT + timedelta(hours=hours), level_m=level_m, **more)


def record(*readings: RestReading, **more: object) -> LeakAtRest:
    fields = {"at": readings[-1].at, "who": "Ida", "readings": readings, **more}
    return LeakAtRest.model_validate(fields)


def after_losing(litres: float, start_m: float = 0.6) -> float:
    return STAGE.level_m(STAGE.volume_l(start_m) - litres)


def test_a_day_at_two_litres_an_hour_is_48_litres() -> None:
    found = leak_test(
        SITE, record(reading(0, 0.6, water_c=15.0), reading(24, after_losing(48.0), water_c=15.0))
    )
    # Two drums of 0.58 m: 0.528 m2; lids let 0.1 mm a day go, 0.05 L.
    assert found.leak_l_d.value == pytest.approx(48.0 - 0.053, abs=0.01)
    assert found.found and found.grade == "leaks"
    assert found.leak_l_d.low < 48.0 < found.leak_l_d.high
    assert "leak of 47.9 L a day" in found.verdict


def test_a_tight_tank_read_closely_is_called_tight() -> None:
    found = leak_test(SITE, record(*(reading(h, 0.6, water_c=15.0) for h in (0, 48))), level_sd_m=0.002)
    assert found.grade == "tight" and not found.found and "Tight" in found.verdict


def test_a_ruler_that_cannot_tell_says_so() -> None:
    found = leak_test(SITE, record(*(reading(h, 0.6, water_c=15.0) for h in (0, 12))), level_sd_m=0.010)
    assert found.grade == "cannot tell" and "could hide" in found.verdict
    assert found.noticeable_l_d > 20.0


def test_interval_of_two_readings_is_that_of_the_stated_error() -> None:
    # Worked by hand: sd of a difference of two levels of 5 mm over 0.5284 m2 is 3.74 L; over a day, with
    # Student's t at the 8 degrees of freedom that a stated error counts as (scipy.stats): 8.62 L a day.
    found = leak_test(SITE, record(*(reading(h, 0.6, water_c=15.0) for h in (0, 24))))
    area = 2 * np.pi / 4 * 0.58**2
    half = stats.t.ppf(0.975, 8) * np.sqrt(2.0) * 0.005 * area * 1000.0
    assert found.leak_l_d.high - found.leak_l_d.value == pytest.approx(half, rel=0.02)


def test_slope_of_many_readings_is_that_of_the_reference_library() -> None:
    rng = np.random.default_rng(5)
    hours = np.linspace(0.0, 24.0, 13)
    levels = [after_losing(h) + float(rng.normal(0.0, 0.003)) for h in hours]
    found = leak_test(
        SITE, record(*(reading(float(h), m, water_c=15.0) for h, m in zip(hours, levels, strict=True)))
    )
    slope = np.polyfit(hours / 24.0, [STAGE.volume_l(m) for m in levels], 1)[0]
    assert found.raw_l_d == pytest.approx(-slope, rel=1e-6)


def test_cooling_water_is_no_leak() -> None:
    # IAPWS-97 at 1 atm: 997.047 kg/m3 at 25 degC, 999.103 at 15 degC: the water shrinks by 0.2058 %. Steel
    # walls shrink by 0.12e-4 for each degC of a length (handbooks), so the barrel by 0.024 %.
    held = STAGE.volume_l(0.6) + STAGE.litres_below_outlet
    shrunk = held * (1.0 - 997.047 / 999.103 - 0.00024)
    cold_m = after_losing(shrunk)
    steel = (STEEL_PER_C, 0.0)
    warm = reading(0, 0.6, water_c=25.0)
    told = leak_test(SITE, record(warm, reading(24, cold_m, water_c=15.0)), walls=steel)
    assert shrunk > 0.6
    assert told.leak_l_d.value == pytest.approx(-0.053, abs=0.01)
    assert told.swelling_l == pytest.approx(-shrunk, rel=0.01)
    assert told.raw_l_d == pytest.approx(shrunk, rel=1e-3)


def test_water_whose_temperature_was_not_noted_is_less_sure() -> None:
    pair = [(0.0, 15.0), (24.0, 15.0)]
    told = leak_test(SITE, record(*(reading(h, 0.6, water_c=c) for h, c in pair)), level_sd_m=0.0005)
    blind = leak_test(SITE, record(*(reading(h, 0.6) for h, _ in pair)), level_sd_m=0.0005)
    assert blind.leak_l_d.sd > told.leak_l_d.sd
    assert "temperature" in blind.verdict and "temperature" not in told.verdict


def test_rain_from_the_roof_would_hide_a_leak() -> None:
    # Worked by hand: 20 m2 * 0.8 * (2 - 0.5) mm = 24 L came in, and the level stood still: 24 L leaked.
    site = replace(SITE, roof=Roof(20.0, 0.8, 0.5))
    pair = (reading(0, 0.6, water_c=15.0), reading(24, 0.6, water_c=15.0))
    found = leak_test(site, record(*pair, rain_mm=2.0, downpipe_off=False))
    assert found.rain_l == pytest.approx(24.0)
    assert found.leak_l_d.value == pytest.approx(24.0, abs=0.1)
    dry = leak_test(site, record(*pair, rain_mm=2.0))
    assert dry.rain_l == 0.0 and dry.leak_l_d.sd < found.leak_l_d.sd


def test_open_barrels_lose_what_a_dish_beside_them_loses() -> None:
    # Worked by hand: 6 mm off 0.5284 m2 are 3.17 L.
    pair = (reading(0, 0.6, water_c=15.0), reading(24, after_losing(3.17), water_c=15.0))
    found = leak_test(SITE, record(*pair, covered=False, evaporation_mm=6.0))
    assert found.evaporated_l == pytest.approx(3.17, abs=0.01)
    assert found.leak_l_d.value == pytest.approx(0.0, abs=0.02)
    guessed = leak_test(SITE, record(*pair, covered=False))
    assert guessed.leak_l_d.sd > 0.0 and guessed.evaporated_l == pytest.approx(1.85, abs=0.01)


def test_an_echo_is_put_right_for_its_air() -> None:
    # c = 331.3 + 0.606 T: 343.42 m/s at 20, 331.3 at 0 degC. The face is 1.05 m above the outlet; the water
    # stays at 0.6 m, so the echo at 0 degC takes 0.45 / 331.3 and reads as 0.45 * 343.42 / 331.3 = 0.4665 m.
    pair = (reading(0, 0.6, water_c=10.0, air_c=20.0), reading(12, 1.05 - 0.46646, water_c=10.0, air_c=0.0))
    found = leak_test(SITE, record(*pair, by="sensor"))
    assert found.leak_l_d.value == pytest.approx(0.0, abs=0.1)
    assert found.raw_l_d == pytest.approx(0.0, abs=0.1)


def test_water_that_comes_in_is_named() -> None:
    found = leak_test(SITE, record(reading(0, 0.5, water_c=15.0), reading(24, 0.6, water_c=15.0)))
    assert found.grade == "gains" and "runs in" in found.verdict


def test_a_short_rest_is_called_short() -> None:
    found = leak_test(SITE, record(reading(0, 0.6), reading(4, 0.5)))
    assert "only 4 h" in found.verdict


def test_readings_out_of_order_are_refused() -> None:
    with pytest.raises(UsageError, match="order of their times"):
        leak_test(SITE, record(reading(4, 0.6), reading(0, 0.6)))


def test_two_litres_an_hour_are_found_with_a_bad_ruler_nearly_always() -> None:
    # 10 mm of error at each end of a day, on two drums: 7.5 L against 48.
    rng = np.random.default_rng(17)
    found = false_alarm = inside = 0
    trials = 200
    for _ in range(trials):
        first, last, still = (float(v) for v in rng.normal(0.0, 0.01, 3))
        leaky = leak_test(
            SITE, record(reading(0, 0.6 + first), reading(24, after_losing(48.0) + last)), level_sd_m=0.01
        )
        found += leaky.found
        inside += leaky.leak_l_d.low <= 48.0 <= leaky.leak_l_d.high
        tight = leak_test(SITE, record(reading(0, 0.6 + first), reading(24, 0.6 + still)), level_sd_m=0.01)
        false_alarm += tight.found
    assert found >= 0.99 * trials
    assert inside >= 0.93 * trials
    assert false_alarm <= 0.04 * trials
