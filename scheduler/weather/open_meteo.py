"""The forecast of Open-Meteo.com: free for a household's own garden, not for a paid service.

Polite: place rounded, few calls, longer and longer waits with jitter, its name shown with its data.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from random import Random

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import Answer, BoundedGet, Clock
from scheduler.weather.checked import ReplyRefusedError
from scheduler.weather.open_meteo_reply import DAILY, HOURLY, Asked, days_of_reply
from scheduler.weather.polite import PoliteCaller, user_agent
from scheduler.weather.possible import possible_days
from scheduler.weather.strict_json import NotStrictError, parse_strict

BASE_URL = "https://api.open-meteo.com"
ATTRIBUTION = "Weather data by Open-Meteo.com (CC BY 4.0)"
# About 1 km: as good for weather, and no address of a house.
COORDINATE_DIGITS = 2
# Its longest forecast; more days, or more than ten variables, count as several calls.
MAX_DAYS = 16


class OpenMeteo:
    """A WeatherService. One instance per garden; its calls may block for MAX_ATTEMPTS times the deadline."""

    name = "open-meteo"

    def __init__(
        self,
        random: Random,
        *,
        base_url: str = BASE_URL,
        clock: Clock = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
        get: BoundedGet | None = None,
    ) -> None:
        """``random`` is the jitter, ``clock`` monotonic seconds, ``sleep`` waits between attempts."""
        self._url = f"{base_url.rstrip('/')}/v1/forecast"
        self._caller = PoliteCaller(get or BoundedGet(user_agent(), clock), random, sleep)

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. Asks for MAX_DAYS at most, cutting past days first."""
        days = min(max(days, 1), MAX_DAYS)
        past_days = min(max(past_days, 0), MAX_DAYS - days)
        asked = Asked(place, today - timedelta(days=past_days), past_days + days)
        answer = self._caller.ask(self._url, _query(place, past_days, days), now)
        return Outlook(possible_days(self._days(answer, asked), place), self.name, now, ATTRIBUTION)

    def _days(self, answer: Answer, asked: Asked) -> tuple[DayWeather, ...]:
        try:
            return days_of_reply(parse_strict(answer.body), asked)
        except (NotStrictError, ReplyRefusedError) as error:
            raise WeatherUnavailable(f"the weather service's answer cannot be used: {error}") from error


def _query(place: GardenPlace, past_days: int, days: int) -> dict[str, str]:
    return {
        "latitude": f"{place.latitude_deg:.{COORDINATE_DIGITS}f}",
        "longitude": f"{place.longitude_deg:.{COORDINATE_DIGITS}f}",
        "timezone": place.timezone.key,
        "past_days": str(past_days),
        "forecast_days": str(days),
        "daily": ",".join(DAILY),
        "hourly": ",".join(HOURLY),
        "temperature_unit": "celsius",
        "wind_speed_unit": "ms",
        "precipitation_unit": "mm",
        "timeformat": "iso8601",
    }
