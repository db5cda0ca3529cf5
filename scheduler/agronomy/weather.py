"""A day's weather as the agronomy speaks of it. What was not measured or forecast is None, never zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class DayWeather:
    """One local calendar day.

    Temperatures in degC, rain in mm, relative humidity in percent, wind in m/s at ``wind_height_m`` above
    the ground, solar radiation in MJ m-2 day-1.
    """

    day: date
    tmin_c: float | None = None
    tmax_c: float | None = None
    rain_mm: float | None = None
    rain_probability: float | None = None  # 0..1
    dewpoint_c: float | None = None
    rh_min_pct: float | None = None
    rh_max_pct: float | None = None
    rh_mean_pct: float | None = None
    wind_ms: float | None = None
    wind_height_m: float = 10.0
    solar_mj_m2: float | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Days of weather from one source, past and to come, by rising date without repeats."""

    days: tuple[DayWeather, ...]
    source: str  # "open-meteo", "weather file seattle.csv", ...
    fetched_at: datetime  # UTC
    attribution: str = ""

    def on(self, day: date) -> DayWeather | None:
        return next((d for d in self.days if d.day == day), None)

    def after(self, day: date) -> tuple[DayWeather, ...]:
        """The days later than ``day``."""
        return tuple(d for d in self.days if d.day > day)


def merged(older: Iterable[DayWeather], newer: Iterable[DayWeather]) -> tuple[DayWeather, ...]:
    """Days of both by rising date; where both have a day, the newer one."""
    by_day = {d.day: d for d in older} | {d.day: d for d in newer}
    return tuple(by_day[k] for k in sorted(by_day))
