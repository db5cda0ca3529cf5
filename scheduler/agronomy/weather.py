"""A day's weather as the agronomy speaks of it. What was not measured or forecast is None, never zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta


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
    # Of a day that is over: who says ``rain_mm`` where that is not the service, and what the service told.
    rain_by: str = ""
    rain_told_mm: float | None = None

    @property
    def told_mm(self) -> float | None:
        """Rain as the service told it."""
        return self.rain_told_mm if self.rain_by else self.rain_mm


@dataclass(frozen=True, slots=True)
class Borrowed:
    """Figures of an outlook that another source gave, or that were worked out: which, whence, how old.

    ``values`` names them as (day, field of DayWeather).
    """

    source: str
    fetched_at: datetime  # UTC
    values: tuple[tuple[date, str], ...]
    attribution: str = ""


@dataclass(frozen=True, slots=True)
class Et0Estimate:
    """ET0 of a day in mm with its 10 to 90 % interval, and how it was got."""

    day: date
    et0_mm: float
    low_mm: float
    high_mm: float
    method: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """Days of weather, past and to come, by rising date without repeats.

    All of it is from ``source``, other than what ``borrowed`` lists. ``issued_at`` is when the source says
    that it was made, where it says so. ``attribution`` and those of ``borrowed`` are shown beside the data.

    ``et0`` is what can still be said of days for which no fresh forecast came; empty while one did.
    ``ensemble``: other ways that the coming days may go, where a service told them.
    """

    days: tuple[DayWeather, ...]
    source: str  # "open-meteo", "weather file seattle.csv", ...
    fetched_at: datetime  # UTC
    attribution: str = ""
    borrowed: tuple[Borrowed, ...] = ()
    issued_at: datetime | None = None  # UTC
    et0: tuple[Et0Estimate, ...] = ()
    ensemble: Ensemble | None = None

    def origin(self, day: date, name: str) -> tuple[str, datetime]:
        """Source and time of fetching of one figure, such as (day, "rain_mm")."""
        for other in self.borrowed:
            if (day, name) in other.values:
                return other.source, other.fetched_at
        return self.source, self.fetched_at

    @property
    def credits(self) -> tuple[str, ...]:
        """What has to be shown beside the data, each line once."""
        lines = [self.attribution, *(b.attribution for b in self.borrowed)]
        if self.ensemble is not None:
            lines.append(self.ensemble.attribution)
        return tuple(dict.fromkeys(line for line in lines if line))

    def et0_on(self, day: date) -> Et0Estimate | None:
        """What stands in for a fresh forecast on that day; None where there is one, or nothing is known."""
        return next((e for e in self.et0 if e.day == day), None)

    def on(self, day: date) -> DayWeather | None:
        return next((d for d in self.days if d.day == day), None)

    def after(self, day: date) -> tuple[DayWeather, ...]:
        """The days later than ``day``."""
        return tuple(d for d in self.days if d.day > day)


# Rain of a day above this counts as a wet day; the threshold Open-Meteo names for its members.
WET_DAY_MM = 0.1


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Equally likely ways that the coming days may go, from one source.

    Each table is members x days, days from ``first`` on; None is unknown, and so is a table left empty.
    """

    first: date
    rain_mm: tuple[tuple[float | None, ...], ...]
    tmin_c: tuple[tuple[float | None, ...], ...]
    tmax_c: tuple[tuple[float | None, ...], ...]
    source: str  # "open-meteo ensemble ecmwf_ifs025_ensemble"
    fetched_at: datetime  # UTC
    attribution: str = ""
    solar_mj_m2: tuple[tuple[float | None, ...], ...] = ()

    def __post_init__(self) -> None:
        tables = (self.rain_mm, self.tmin_c, self.tmax_c, self.solar_mj_m2)
        shapes = {(len(t), len(row)) for t in tables if t for row in t}
        if not self.rain_mm or len(shapes) != 1:
            raise ValueError(f"the tables of an ensemble must be of one shape, not {sorted(shapes)}")

    @property
    def members(self) -> int:
        return len(self.rain_mm)

    @property
    def days(self) -> tuple[date, ...]:
        return tuple(self.first + timedelta(days=n) for n in range(len(self.rain_mm[0])))

    def member(self, number: int) -> tuple[DayWeather, ...]:
        """One member as days of weather."""

        def value(table: tuple[tuple[float | None, ...], ...], n: int) -> float | None:
            return table[number][n] if table else None

        return tuple(
            DayWeather(
                day,
                tmin_c=value(self.tmin_c, n),
                tmax_c=value(self.tmax_c, n),
                rain_mm=value(self.rain_mm, n),
                solar_mj_m2=value(self.solar_mj_m2, n),
            )
            for n, day in enumerate(self.days)
        )

    def rain_chance(self, day: date) -> float | None:
        """Share of the members that know the day's rain and have a wet one; None where none knows."""
        n = (day - self.first).days
        if not 0 <= n < len(self.days):
            return None
        known = [row[n] for row in self.rain_mm if row[n] is not None]
        return sum(mm > WET_DAY_MM for mm in known if mm is not None) / len(known) if known else None


@dataclass(frozen=True, slots=True)
class MeasuredRain:
    """Rain of one local day measured in the garden itself. ``source``: "typed by Ines", "rain gauge", ..."""

    day: date
    rain_mm: float
    source: str
    at: datetime  # UTC, when it was read


def merged(older: Iterable[DayWeather], newer: Iterable[DayWeather]) -> tuple[DayWeather, ...]:
    """Days of both by rising date; where both have a day, the newer one."""
    by_day = {d.day: d for d in older} | {d.day: d for d in newer}
    return tuple(by_day[k] for k in sorted(by_day))
