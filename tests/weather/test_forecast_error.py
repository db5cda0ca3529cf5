from __future__ import annotations

from datetime import date, timedelta
from statistics import mean, stdev

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.weather import forecast_error
from scheduler.weather.forecast_error import degraded
from scheduler.weather.weather_file import packaged_weather

TODAY = date(2012, 7, 15)
DAYS = packaged_weather("seattle-2012")
SEEDS = range(400)


def test_the_past_is_as_measured_and_the_horizon_ends() -> None:
    outlook = degraded(DAYS, TODAY, 1, coming_days=5)
    assert [d for d in outlook.days if d.day < TODAY] == [d for d in DAYS if d.day < TODAY]
    assert outlook.days[-1].day == TODAY + timedelta(days=4)


def test_the_same_seed_gives_the_same_forecast_and_another_seed_another() -> None:
    assert degraded(DAYS, TODAY, 1) == degraded(DAYS, TODAY, 1)
    assert degraded(DAYS, TODAY, 1) != degraded(DAYS, TODAY, 2)


def test_leaving_a_day_out_does_not_shift_the_errors_of_the_others() -> None:
    without = [d for d in DAYS if d.day != TODAY + timedelta(days=1)]
    after = TODAY + timedelta(days=3)
    assert degraded(without, TODAY, 1).on(after) == degraded(DAYS, TODAY, 1).on(after)


@pytest.mark.parametrize("lead", [0, 6])
def test_temperatures_err_as_stated_without_bias(lead: int) -> None:
    day = TODAY + timedelta(days=lead)
    truth = next(d for d in DAYS if d.day == day)
    errors = [forecast.tmin_c - truth.tmin_c for s in SEEDS if (forecast := degraded(DAYS, TODAY, s).on(day))]
    stated = forecast_error.TEMPERATURE_SD_K + lead * forecast_error.TEMPERATURE_SD_GROWTH_K
    # 400 draws: a standard deviation is known to 1/sqrt(800) = 3.5 %, a mean to 5 % of it; four of each.
    assert stdev(errors) == pytest.approx(stated, rel=0.14)
    assert abs(mean(errors)) < 0.2 * stated


@pytest.mark.parametrize(("rain_mm", "lead"), [(5.0, 0), (5.0, 5), (0.0, 0), (0.0, 5)])
def test_rain_is_missed_and_dreamt_up_at_the_stated_rates(rain_mm: float, lead: int) -> None:
    days = [DayWeather(TODAY + timedelta(days=lead), rain_mm=rain_mm)]
    forecasts = [degraded(days, TODAY, s).days[0].rain_mm for s in SEEDS]
    wrong = sum(((f or 0.0) > 0.0) != (rain_mm > 0.0) for f in forecasts) / len(forecasts)
    rates = {
        True: forecast_error.MISS_CHANCE + lead * forecast_error.MISS_CHANCE_GROWTH,
        False: forecast_error.FALSE_CHANCE + lead * forecast_error.FALSE_CHANCE_GROWTH,
    }
    stated = rates[rain_mm > 0.0]
    assert wrong == pytest.approx(stated, abs=4 * (stated * (1 - stated) / len(forecasts)) ** 0.5)


def test_what_was_not_measured_stays_unknown_and_no_day_turns_over() -> None:
    days = [DayWeather(TODAY, tmin_c=15.0, tmax_c=15.2), DayWeather(TODAY + timedelta(days=1))]
    for seed in SEEDS:
        first, second = degraded(days, TODAY, seed).days
        assert first.tmin_c is not None and first.tmax_c is not None and first.tmin_c < first.tmax_c
        assert first.rain_mm is None and first.rain_probability is None and first.wind_ms is None
        assert second == days[1]
