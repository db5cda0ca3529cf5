"""ET0 without a forecast: the interval holds the truth about as often as it says, on open data."""

from __future__ import annotations

import csv
import importlib.util
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.et0 import hargreaves, reference_et
from scheduler.agronomy.past_week import estimated_et0, week_of_past
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace

# Latitude of the station from memory; the data names only the city.
SEATTLE = GardenPlace(47.45, -122.3, 130.0, ZoneInfo("America/Los_Angeles"))
MARICOPA = GardenPlace(33.069, -111.98, 361.0, ZoneInfo("America/Phoenix"), arid=True)
REFERENCE = Path(__file__).parent.parent / "reference"
DAY = date(2015, 7, 15)


def seattle() -> list[DayWeather]:
    """2012 to 2015, vega_datasets, from NOAA's public-domain records; unit of wind (m/s) from memory."""
    found = importlib.util.find_spec("vega_datasets")
    assert found is not None and found.origin is not None
    with (Path(found.origin).parent / "_data" / "seattle-weather.csv").open(encoding="utf-8") as lines:
        return [
            DayWeather(
                date.fromisoformat(r["date"].replace("/", "-")),
                float(r["temp_min"]),
                float(r["temp_max"]),
                float(r["precipitation"]),
                wind_ms=float(r["wind"]),
            )
            for r in csv.DictReader(lines)
        ]


def test_past_years_hold_four_days_in_five_of_a_year_they_do_not_know() -> None:
    days = seattle()
    inside = []
    for day in days[::3]:
        if 4 <= day.day.month <= 10:
            others = [d for d in days if d.day.year != day.day.year]
            found, true = estimated_et0(day.day, None, 0.0, others, SEATTLE), reference_et(day, SEATTLE)
            assert found is not None and true is not None
            inside.append(found.low_mm <= true.et0_mm <= found.high_mm)
    # 80 % stated. Days of one week are alike, so 285 days count as about 60: one sd of the share is 5 %.
    assert 0.70 <= sum(inside) / len(inside) <= 0.90


def test_temperatures_alone_hold_four_days_in_five_of_a_measured_season() -> None:
    # USDA-ARS Maricopa 2022: ET0 stored with the data, 194 days.
    inside = []
    with (REFERENCE / "maricopa_2022_daily_eto.csv").open(encoding="utf-8") as lines:
        for r in csv.DictReader(lines):
            day = DayWeather(date.fromisoformat(r["date"]), float(r["tmin_c"]), float(r["tmax_c"]))
            found = estimated_et0(day.day, day, 0.0, (), MARICOPA)
            assert found is not None
            inside.append(found.low_mm <= float(r["eto_short_mm"]) <= found.high_mm)
    assert 0.70 <= sum(inside) / len(inside) <= 0.90


def test_temperatures_alone_are_hargreaves() -> None:
    day = DayWeather(DAY, 12.0, 26.0)
    found, expected = estimated_et0(DAY, day, 0.0, (), SEATTLE), hargreaves(day, SEATTLE)
    assert found is not None and expected is not None
    assert found.et0_mm == expected.et0_mm and "Eq 52" in found.method


def test_the_interval_widens_with_age_until_past_years_know_better() -> None:
    day, past = DayWeather(DAY, 12.0, 26.0), seattle()
    widths, methods = [], []
    for age in range(40):
        found = estimated_et0(DAY, day, float(age), past, SEATTLE)
        assert found is not None and found.low_mm < found.et0_mm < found.high_mm
        widths.append(found.high_mm - found.low_mm)
        methods.append("stored year" in found.method)
    assert widths == sorted(widths) and methods == sorted(methods) and methods[-1] and not methods[0]


def test_nothing_known_is_none_and_last_week_is_no_past_year() -> None:
    assert estimated_et0(DAY, None, 0.0, (), SEATTLE) is None
    last_week = [DayWeather(DAY - timedelta(days=n), 12.0, 26.0) for n in range(1, 8)]
    assert week_of_past(last_week, DAY, SEATTLE) is None
    with pytest.raises(ValueError, match="negative"):
        estimated_et0(DAY, None, -1.0, (), SEATTLE)


def test_the_week_reaches_across_new_year() -> None:
    past = [DayWeather(date(2014, 12, 30) + timedelta(days=n), 0.0, 8.0) for n in range(5)]
    week = week_of_past(past, date(2016, 1, 1), SEATTLE)
    assert week is not None and week.years == 1 and len(week.et0_mm) == 5
