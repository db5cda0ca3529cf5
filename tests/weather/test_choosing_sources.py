from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.choosing import NAMES, weather_sources
from scheduler.weather.practice_server import PracticeWeather
from scheduler.weather.service import TERMS
from scheduler.weather.weather_file import packaged_weather

PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)


def test_sources_are_asked_in_the_gardens_order() -> None:
    with PracticeWeather(packaged_weather("seattle-2012"), lambda: TODAY) as server:
        urls = dict.fromkeys(NAMES, server.base_url)
        for first in ("open-meteo", "met-norway", "us-weather"):
            names = [first, *(n for n in NAMES if n not in (first, "file"))]
            service = weather_sources(names, Random(1), contact="garden@example.org", base_urls=urls)
            assert service.name == ", then ".join(names)
            outlook = service.fetch(PLACE, today=TODAY, past_days=2, days=5, now=NOW)
            assert outlook.source == first
            assert TERMS[first].credit in outlook.credits


def test_one_name_is_that_service_itself(tmp_path: Path) -> None:
    assert weather_sources(["open-meteo"], Random(1)).name == "open-meteo"
    file = tmp_path / "w.csv"
    file.write_text("date,tmin_c,tmax_c\n2012-07-10,12,24\n")
    service = weather_sources(["file"], Random(1), path=file)
    assert service.fetch(PLACE, today=TODAY, past_days=0, days=1, now=NOW).days[0].tmax_c == 24.0


@pytest.mark.parametrize("names", [[], ["almanac"], ["open-meteo", "open-meteo"]])
def test_a_name_that_is_unknown_or_twice_is_refused(names: list[str]) -> None:
    with pytest.raises(ValueError, match="name each source once"):
        weather_sources(names, Random(1))


def test_a_file_that_is_not_named_is_told() -> None:
    with pytest.raises(WeatherUnavailable, match="no weather file is named"):
        weather_sources(["file"], Random(1))
