"""Measured days from a CSV file, and a weather service made of one.

The first line that is no comment names the columns, in any order and any selection of

    date            the local day, as 2031-06-01 (the only column that must be there)
    tmin_c tmax_c   lowest and highest air temperature, degC
    rain_mm         rain of the day, mm
    rain_chance_pct chance of rain, percent (for days to come)
    dewpoint_c      mean dew point, degC
    rh_min_pct rh_max_pct rh_mean_pct   relative humidity, percent
    wind_ms         mean wind, m/s
    wind_height_m   height of the wind gauge above the ground, m; 10 when there is no such column
    solar_mj_m2     solar radiation of the day, MJ/m2

An empty field means *not known*, which is never zero. Days rise by date; days may be absent. Lines that
begin with ``#`` tell where the figures come from.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from importlib import resources
from itertools import pairwise
from pathlib import Path

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.site.errors import NOTHING, FallingheadError, WeatherUnavailable, read_words
from scheduler.site.model import GardenPlace
from scheduler.weather.possible import possible_days
from scheduler.weather.ranges import PERCENT, RAIN, SOLAR, TEMPERATURE, WIND, WIND_HEIGHT, Range

COLUMNS: Mapping[str, Range] = {
    "tmin_c": TEMPERATURE,
    "tmax_c": TEMPERATURE,
    "rain_mm": RAIN,
    "rain_chance_pct": PERCENT,
    "dewpoint_c": TEMPERATURE,
    "rh_min_pct": PERCENT,
    "rh_max_pct": PERCENT,
    "rh_mean_pct": PERCENT,
    "wind_ms": WIND,
    "wind_height_m": WIND_HEIGHT,
    "solar_mj_m2": SOLAR,
}
# A century of days is 5 MB at most; more is not a weather file.
MAX_BYTES = 8_000_000
# Past so many mistakes the rest says nothing new.
MAX_PROBLEMS_SHOWN = 50
PACKAGED = {"seattle-2012": "seattle_2012_summer.csv"}
DEFAULT_WIND_HEIGHT_M = 10.0


@dataclass(frozen=True, slots=True)
class WeatherFileProblem:
    """One mistake: where, what was read, how to mend it."""

    file: str
    line: int | None
    column: str
    read: str
    remedy: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.column}: {read_words(self.read, self.remedy)}"


class WeatherFileError(FallingheadError):
    """Every mistake of a weather file at once."""

    exit_code = 2

    def __init__(self, problems: Sequence[WeatherFileProblem]) -> None:
        self.problems = tuple(problems)
        lines = [str(p) for p in self.problems[:MAX_PROBLEMS_SHOWN]]
        if len(self.problems) > MAX_PROBLEMS_SHOWN:
            lines.append(f"... and {len(self.problems) - MAX_PROBLEMS_SHOWN} more")
        super().__init__("\n".join(lines))


def read_weather_csv(path: Path | str) -> tuple[DayWeather, ...]:
    """The days of a weather file by rising date; raises WeatherFileError with all mistakes."""
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _one_problem(str(path), f"{path.stat().st_size} bytes", f"keep it below {MAX_BYTES} bytes")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _one_problem(
            str(path), f"byte {error.object[error.start]:#04x}", "save it as UTF-8 text"
        ) from error
    except OSError as error:
        raise _one_problem(
            str(path), "", f"cannot be read ({error.strerror}); name a CSV file that can"
        ) from error
    return read_weather_text(text, str(path))


def read_weather_text(text: str, name: str) -> tuple[DayWeather, ...]:
    """As ``read_weather_csv``, from text; ``name`` stands for the file in messages."""
    return _Reader(name).read(text)


def packaged_weather(name: str) -> tuple[DayWeather, ...]:
    """Measured days that ship with the program; KeyError names those that exist."""
    if name not in PACKAGED:
        raise KeyError(f"no packaged weather {name!r}; there are {', '.join(PACKAGED)}")
    source = resources.files("scheduler.weather").joinpath("data", PACKAGED[name])
    return read_weather_text(source.read_text(encoding="utf-8"), PACKAGED[name])


class WeatherFile:
    """A weather service that answers from a file: the days before today and the days after it."""

    def __init__(self, path: Path | str) -> None:
        """Reads the file at once; raises WeatherFileError."""
        self.name = f"weather file {Path(path).name}"
        self._days = read_weather_csv(path)

    def fetch(
        self,
        place: GardenPlace,
        *,
        today: date,
        past_days: int,
        days: int,
        now: datetime,
    ) -> Outlook:
        """As WeatherService; the file is taken to be from that place."""
        first, after = today - timedelta(days=past_days), today + timedelta(days=days)
        chosen = tuple(d for d in self._days if first <= d.day < after)
        if not chosen:
            held = f"{self._days[0].day} to {self._days[-1].day}" if self._days else "no day at all"
            raise WeatherUnavailable(
                f"{self.name} has {held}, but not {first} to {after - timedelta(days=1)}; "
                "add those days or name another file"
            )
        return Outlook(days=possible_days(chosen, place), source=self.name, fetched_at=now)


def _one_problem(name: str, read: str, remedy: str) -> WeatherFileError:
    return WeatherFileError([WeatherFileProblem(name, None, "file", read, remedy)])


@dataclass(slots=True)
class _Reader:
    """Reads one file, gathering mistakes on the way."""

    name: str
    problems: list[WeatherFileProblem] = field(default_factory=list)

    def read(self, text: str) -> tuple[DayWeather, ...]:
        rows = _rows(text)
        line, header = next(rows, (1, []))
        columns = self._columns(line, [c.strip() for c in header])
        days = (
            [d for line, row in rows if (d := self._day(line, row, columns)) is not None] if columns else []
        )
        if not days and not self.problems:
            self._problem(None, "file", "no days", "give at least one day below the column names")
        self._rising(days)
        if self.problems:
            raise WeatherFileError(self.problems)
        return tuple(day for _, day in days)

    def _problem(self, line: int | None, column: str, read: str, remedy: str) -> None:
        self.problems.append(WeatherFileProblem(self.name, line, column, read, remedy))

    def _columns(self, line: int, header: list[str]) -> list[str]:
        known = ["date", *COLUMNS]
        for column in header:
            if column not in known:
                self._problem(line, "header", repr(column), f"use the column names {', '.join(known)}")
        for column in sorted({c for c in header if header.count(c) > 1}):
            self._problem(line, "header", f"{column!r} twice", "keep one of them")
        if "date" not in header:
            self._problem(line, "header", ",".join(header) or NOTHING, "there must be a column 'date'")
            return []
        return header

    def _day(self, line: int, row: list[str], columns: list[str]) -> tuple[int, DayWeather] | None:
        if len(row) != len(columns):
            self._problem(line, "row", f"{len(row)} fields", f"give {len(columns)}, as the header has")
            return None
        fields = dict(zip(columns, (f.strip() for f in row), strict=True))
        try:
            day = date.fromisoformat(fields["date"])
        except ValueError:
            self._problem(line, "date", repr(fields["date"]), "write the day as 2031-06-01")
            return None
        values = {c: self._value(line, c, fields.get(c, "")) for c in COLUMNS}
        self._ordered(line, values, "tmin_c", "tmax_c")
        self._ordered(line, values, "rh_min_pct", "rh_max_pct")
        return line, _day_weather(day, values)

    def _value(self, line: int, column: str, text: str) -> float | None:
        if not text or column not in COLUMNS:
            return None
        try:
            value = float(text)
        except ValueError:
            self._problem(line, column, repr(text), "give a plain number, or leave it empty if not known")
            return None
        if not COLUMNS[column].holds(value):
            self._problem(line, column, text, f"it must be {COLUMNS[column]}; empty if not known")
            return None
        return value

    def _ordered(self, line: int, values: Mapping[str, float | None], low: str, high: str) -> None:
        a, b = values[low], values[high]
        if a is not None and b is not None and a > b:
            self._problem(line, low, f"{a:g} above {high} {b:g}", "swap or correct them")

    def _rising(self, days: Sequence[tuple[int, DayWeather]]) -> None:
        for (_, before), (line, day) in pairwise(days):
            if day.day <= before.day:
                self._problem(
                    line, "date", f"{day.day} after {before.day}", "put the days in order, each once"
                )


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and fields of every line that is neither empty nor a comment."""
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, next(csv.reader([line]), [])


def _day_weather(day: date, values: Mapping[str, float | None]) -> DayWeather:
    chance = values["rain_chance_pct"]
    height = values["wind_height_m"]
    return DayWeather(
        day=day,
        tmin_c=values["tmin_c"],
        tmax_c=values["tmax_c"],
        rain_mm=values["rain_mm"],
        rain_probability=None if chance is None else chance / 100.0,
        dewpoint_c=values["dewpoint_c"],
        rh_min_pct=values["rh_min_pct"],
        rh_max_pct=values["rh_max_pct"],
        rh_mean_pct=values["rh_mean_pct"],
        wind_ms=values["wind_ms"],
        wind_height_m=DEFAULT_WIND_HEIGHT_M if height is None else height,
        solar_mj_m2=values["solar_mj_m2"],
    )
