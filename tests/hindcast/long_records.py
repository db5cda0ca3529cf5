"""The span of the run-out day over long records that nothing here was ever set by.

Six records tell a share to some 7 points only. Long ones of other places say whether the spans are wrong or
the six unusual. Each is cut into stretches of four years, and each year judged with the other three as the
past, as the four Seattle years are. The weather: daily files in the ``data`` folder of the crop model
``aquacrop`` 3.1.0 on PyPI (Champion in Nebraska 1982-2018, Brussels 1976-2005, Tunis 1979-2002), which is no
dependency of ours: ``pip download --no-deps aquacrop==3.1.0`` and unpack the wheel.

PYTHONPATH=. python -m tests.hindcast.long_records FOLDER_WITH_THE_FILES
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace
from tests.hindcast.hindcasting import SETTINGS, starts
from tests.hindcast.run_out import HEAD, Found, Record, errors_line, joined, judged, line

# Places from memory, to a tenth of a degree; the files name only the place.
PLACES = {
    "champion": GardenPlace(40.4, -101.7, 1029.0, ZoneInfo("America/Denver")),
    "brussels": GardenPlace(50.8, 4.4, 100.0, ZoneInfo("Europe/Brussels")),
    "tunis": GardenPlace(36.8, 10.2, 4.0, ZoneInfo("Africa/Tunis")),
}
YEARS = 4
FEW = (SETTINGS[1], SETTINGS[3])
EVERY_D = 14
LEAST_RANGE_K = 0.5


def read_days(path: Path) -> tuple[DayWeather, ...]:
    """Rows of day, month, year, lowest and highest temperature (degC), rain (mm), reference ET (not read)."""
    return tuple(_day(row.split()) for row in path.read_text(encoding="utf-8").splitlines()[1:])


def _day(row: Sequence[str]) -> DayWeather:
    low, high = sorted(float(x) for x in row[3:5])  # some days of Tunis stand the other way round
    day = date(int(row[2]), int(row[1]), int(row[0]))
    return DayWeather(day, tmin_c=low, tmax_c=max(high, low + LEAST_RANGE_K), rain_mm=max(0.0, float(row[5])))


def stretches(days: Sequence[DayWeather]) -> Iterator[tuple[int, tuple[DayWeather, ...]]]:
    """First year and days of each four whole years, none used twice."""
    for year in range(days[0].day.year, days[-1].day.year - YEARS + 2, YEARS):
        part = tuple(d for d in days if year <= d.day.year < year + YEARS)
        if part[0].day == date(year, 1, 1) and part[-1].day == date(year + YEARS - 1, 12, 31):
            yield year, part


def found_in(name: str, days: Sequence[DayWeather]) -> Iterator[Found]:
    """Each year of the record."""
    for first, part in stretches(days):
        for year in range(first, first + YEARS):
            begins = tuple(starts(year))[::2]
            record = Record(f"{name} {year}", PLACES[name], part, begins, date(year, 11, 30), "other years")
            yield judged(record, FEW, every_d=EVERY_D)


def main(folder: Path) -> None:
    print(HEAD)
    every: list[Found] = []
    for name in PLACES:
        years = list(found_in(name, read_days(folder / f"{name}_climate.txt")))
        print(line(name, f"{len(years)} years", joined(years)))
        print(errors_line(years), flush=True)
        every.extend(years)
    print(line("all", f"{len(every)} years", joined(every)))
    print(errors_line(every))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
