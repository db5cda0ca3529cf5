from __future__ import annotations

import csv
import importlib.util
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.site.errors import FallingheadError, WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.weather_file import (
    WeatherFile,
    WeatherFileError,
    packaged_weather,
    read_weather_csv,
    read_weather_text,
)

PLACE = GardenPlace(47.61, -122.33, 40.0, ZoneInfo("America/Los_Angeles"))
NOW = datetime(2012, 7, 3, 12, tzinfo=UTC)

EVERY_COLUMN = """\
# a comment, also before the header
date,tmin_c,tmax_c,rain_mm,rain_chance_pct,dewpoint_c,rh_min_pct,rh_max_pct,rh_mean_pct,wind_ms,wind_height_m,solar_mj_m2

2031-06-01,10,25.5,0,40,8,35,90,60,2.5,2,22.1
# and in the middle
2031-06-03,,,,,,,,,,,
"""


def vega_rows() -> list[dict[str, str]]:
    """The rows of that library's own file, read without importing it (it would pull in pandas)."""
    spec = importlib.util.find_spec("vega_datasets")
    assert spec is not None and spec.origin is not None
    path = Path(spec.origin).parent / "_data" / "seattle-weather.csv"
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_the_packaged_summer_is_that_of_the_open_data_row_by_row() -> None:
    # Source: seattle-weather.csv of vega_datasets 0.9.0, NOAA data in the public domain.
    theirs = [r for r in vega_rows() if "2012/06/01" <= r["date"] <= "2012/09/30"]
    ours = packaged_weather("seattle-2012")
    assert len(ours) == len(theirs) == 122
    for day, row in zip(ours, theirs, strict=True):
        assert day.day.strftime("%Y/%m/%d") == row["date"]
        assert day.tmin_c == float(row["temp_min"])
        assert day.tmax_c == float(row["temp_max"])
        assert day.rain_mm == float(row["precipitation"])
        assert day.wind_ms == float(row["wind"])
        assert day.solar_mj_m2 is None and day.dewpoint_c is None


def test_the_packaged_summer_holds_the_dry_spell_it_is_shipped_for() -> None:
    # Counted in the open data itself: 48 days on end show 0.0 mm.
    theirs = [r for r in vega_rows() if "2012/07/23" <= r["date"] <= "2012/09/08"]
    assert {float(r["precipitation"]) for r in theirs} == {0.0} and len(theirs) == 48
    ours = [d for d in packaged_weather("seattle-2012") if date(2012, 7, 23) <= d.day <= date(2012, 9, 8)]
    assert sum(d.rain_mm or 0.0 for d in ours) == 0.0


def test_an_unknown_packaged_name_says_which_exist() -> None:
    with pytest.raises(KeyError, match="seattle-2012"):
        packaged_weather("atlantis")


def test_every_column_arrives_and_an_empty_field_is_unknown() -> None:
    first, second = read_weather_text(EVERY_COLUMN, "w.csv")
    assert (first.tmin_c, first.tmax_c, first.rain_mm, first.rain_probability) == (10.0, 25.5, 0.0, 0.4)
    assert (first.dewpoint_c, first.rh_min_pct, first.rh_max_pct, first.rh_mean_pct) == (8, 35, 90, 60)
    assert (first.wind_ms, first.wind_height_m, first.solar_mj_m2) == (2.5, 2.0, 22.1)
    assert second.day == date(2031, 6, 3)
    assert second.rain_mm is None and second.tmin_c is None and second.rain_probability is None


def test_all_mistakes_come_in_one_report_with_their_lines() -> None:
    text = (
        "date,tmin_c,tmax_c,rain_mm\n"  # 1
        "2031-06-01,10,20,0\n"
        "2031-06-02,warm,20,0\n"  # 3: no number
        "2031-13-02,10,20,0\n"  # 4: no date
        "2031-06-04,10,20,-1\n"  # 5: out of range
        "2031-06-05,25,20,0\n"  # 6: crossed
        "2031-06-06,10,20\n"  # 7: too few
        "2031-06-07,10,nan,0\n"  # 8: not finite
        "2031-06-01,10,20,0\n"  # 9: goes back
    )
    with pytest.raises(WeatherFileError) as caught:
        read_weather_text(text, "garden.csv")
    assert [p.line for p in caught.value.problems] == [3, 4, 5, 6, 7, 8, 9]
    assert isinstance(caught.value, FallingheadError) and caught.value.exit_code == 2
    message = str(caught.value)
    assert "garden.csv:3: tmin_c: read 'warm'" in message
    assert "0 to 300 mm/day" in message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "nothing"),
        ("tmin_c,tmax_c\n1,2\n", "must be a column 'date'"),
        ("date,tmin\n2031-06-01,2\n", "'tmin'"),
        ("date,tmin_c,tmin_c\n2031-06-01,2,3\n", "twice"),
        ("date,tmin_c\n", "at least one day"),
    ],
)
def test_a_header_that_cannot_serve_is_told(text: str, expected: str) -> None:
    with pytest.raises(WeatherFileError, match=expected):
        read_weather_text(text, "w.csv")


def test_a_missing_file_and_a_file_of_other_text_are_told(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match="No such file"):
        read_weather_csv(tmp_path / "none.csv")
    (tmp_path / "latin.csv").write_bytes("date,tmin_c\n# naïve\n".encode("latin-1"))
    with pytest.raises(WeatherFileError, match="UTF-8"):
        read_weather_csv(tmp_path / "latin.csv")


def test_a_spreadsheets_byte_order_mark_and_line_ends_do_no_harm(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_bytes(b"\xef\xbb\xbfdate,rain_mm\r\n2031-06-01,1.5\r\n")
    assert read_weather_csv(tmp_path / "w.csv")[0].rain_mm == 1.5


def test_the_file_service_gives_the_days_around_today(tmp_path: Path) -> None:
    lines = [f"2012-07-{d:02d},{d}" for d in range(1, 10)]
    (tmp_path / "w.csv").write_text("date,rain_mm\n" + "\n".join(lines))
    service = WeatherFile(tmp_path / "w.csv")
    outlook = service.fetch(PLACE, today=date(2012, 7, 3), past_days=1, days=3, now=NOW)
    assert [d.day.day for d in outlook.days] == [2, 3, 4, 5]
    assert outlook.fetched_at == NOW and outlook.source == "weather file w.csv" == service.name


def test_the_file_service_says_when_it_has_no_such_days(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("date,rain_mm\n2011-07-01,0\n2011-07-09,0\n")
    with pytest.raises(WeatherUnavailable, match="2011-07-01 to 2011-07-09"):
        WeatherFile(tmp_path / "w.csv").fetch(PLACE, today=date(2012, 7, 3), past_days=1, days=3, now=NOW)
