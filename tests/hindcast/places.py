"""Places with a past, for hindcasts: daily weather from open data, its source beside each."""

from __future__ import annotations

import csv
import importlib.util
from datetime import date
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace

HERE = Path(__file__).parent
REFERENCE = HERE.parent / "reference"

# Latitude of the station from memory; the data names only the city.
SEATTLE = GardenPlace(47.45, -122.3, 130.0, ZoneInfo("America/Los_Angeles"))
# Head line of the TMY3 file.
GREENSBORO = GardenPlace(36.1, -79.95, 273.0, ZoneInfo("America/New_York"))
MARICOPA = GardenPlace(33.069, -111.98, 361.0, ZoneInfo("America/Phoenix"), arid=True)


@cache
def seattle() -> tuple[DayWeather, ...]:
    """2012 to 2015 (vega_datasets, from NOAA's public-domain records); unit of wind from memory, m/s."""
    found = importlib.util.find_spec("vega_datasets")
    assert found is not None and found.origin is not None
    path = Path(found.origin).parent / "_data" / "seattle-weather.csv"
    with path.open(encoding="utf-8") as lines:
        return tuple(
            DayWeather(
                date.fromisoformat(r["date"].replace("/", "-")),
                tmin_c=float(r["temp_min"]),
                tmax_c=float(r["temp_max"]),
                rain_mm=float(r["precipitation"]),
                wind_ms=float(r["wind"]),
            )
            for r in csv.DictReader(lines)
        )


@cache
def maricopa() -> tuple[DayWeather, ...]:
    """One season, 2022 (USDA-ARS, CC0)."""
    with (REFERENCE / "maricopa_2022_daily_eto.csv").open(encoding="utf-8") as lines:
        return tuple(_maricopa_day(r) for r in csv.DictReader(lines))


def _maricopa_day(r: dict[str, str]) -> DayWeather:
    return DayWeather(
        date.fromisoformat(r["date"]),
        tmin_c=float(r["tmin_c"]),
        tmax_c=float(r["tmax_c"]),
        rain_mm=float(r["rain_mm"]),
        dewpoint_c=float(r["tdew_c"]),
        wind_ms=float(r["wind_3m_m_s"]),
        wind_height_m=3.0,
        solar_mj_m2=float(r["rs_mj_m2_d"]),
    )


@cache
def greensboro() -> tuple[DayWeather, ...]:
    """One typical year: months of different years joined (TMY3, US government data), its hours made days."""
    with (REFERENCE / "greensboro_tmy3_daily.csv").open(encoding="utf-8") as lines:
        return tuple(
            DayWeather(
                date(1990, int(r["month"]), int(r["day"])),
                tmin_c=float(r["tmin_c"]),
                tmax_c=float(r["tmax_c"]),
                rain_mm=float(r["rain_mm"]),
                dewpoint_c=float(r["tdew_c"]),
                wind_ms=float(r["wind_m_s"]),
                solar_mj_m2=float(r["solar_mj_m2"]),
            )
            for r in csv.DictReader(lines)
        )
