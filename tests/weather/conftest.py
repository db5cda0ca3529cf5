from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pytest

from scheduler.weather.practice_server import PracticeWeather
from scheduler.weather.weather_file import packaged_weather


@pytest.fixture
def practice() -> Iterator[PracticeWeather]:
    """A real server on loopback whose today is 2012-07-10."""
    with PracticeWeather(packaged_weather("seattle-2012"), lambda: date(2012, 7, 10)) as server:
        yield server
