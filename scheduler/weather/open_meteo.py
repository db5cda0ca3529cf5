"""The forecast of Open-Meteo.com: free for a household's own garden, not for a paid service.

Polite: place rounded, few calls, longer and longer waits with jitter, its name shown with its data.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from datetime import date, datetime, timedelta
from random import Random

from scheduler import __version__
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import Answer, BoundedGet, Clock, TransferFailed
from scheduler.weather.open_meteo_reply import DAILY, HOURLY, Asked, ReplyRefusedError, days_of_reply
from scheduler.weather.possible import possible_days
from scheduler.weather.strict_json import NotStrictError, parse_strict

BASE_URL = "https://api.open-meteo.com"
ATTRIBUTION = "Weather data by Open-Meteo.com (CC BY 4.0)"
USER_AGENT = f"fallinghead/{__version__} (garden watering by gravity)"
# About 1 km: as good for weather, and no address of a house.
COORDINATE_DIGITS = 2
# Its longest forecast; more days, or more than ten variables, count as several calls.
MAX_DAYS = 16
MAX_CALLS_A_DAY = 24
MAX_ATTEMPTS = 3
# Wait before the second attempt; doubled for each further one, and times 0.5 to 1.5 at random.
FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 3600.0
# After "too many calls" nothing is asked for so long.
LIMITED_FOR = timedelta(hours=1)
REASON_LENGTH = 160


def wait_s(failures: int, random: Random) -> float:
    """How long to wait after so many failures (from 1 up): doubling, capped, with jitter from ``random``."""
    if failures < 1:
        raise ValueError(f"failures counts from 1, not {failures}")
    doubled_s = FIRST_WAIT_S * 2.0 ** min(failures - 1, 32)
    return min(LONGEST_WAIT_S, doubled_s * (0.5 + random.random()))


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
        self._random = random
        self._url = f"{base_url.rstrip('/')}/v1/forecast"
        self._sleep = sleep
        self._get = get or BoundedGet(USER_AGENT, clock)
        self._calls: deque[datetime] = deque(maxlen=MAX_CALLS_A_DAY)
        self._limited_at: datetime | None = None

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. Asks for MAX_DAYS at most, cutting past days first."""
        days = min(max(days, 1), MAX_DAYS)
        past_days = min(max(past_days, 0), MAX_DAYS - days)
        asked = Asked(place, today - timedelta(days=past_days), past_days + days)
        answer = self._answer(_query(place, past_days, days), now)
        return Outlook(possible_days(self._days(answer, asked), place), self.name, now, ATTRIBUTION)

    def _answer(self, query: dict[str, str], now: datetime) -> Answer:
        """A good answer, after retries where retrying can help."""
        for attempt in range(1, MAX_ATTEMPTS + 1):
            self._allow(now)
            try:
                return self._judged(self._get.get(self._url, query), now)
            except TransferFailed as error:
                if not error.transient or attempt == MAX_ATTEMPTS:
                    raise type(error)(f"the weather service failed: {error}", transient=False) from error
            self._sleep(wait_s(attempt, self._random))
        raise AssertionError("the loop returns or raises")

    def _allow(self, now: datetime) -> None:
        """Counts a call; raises when there were too many. A call in the future is from a wrong clock."""
        if self._limited_at is not None and timedelta() <= now - self._limited_at < LIMITED_FOR:
            raise WeatherUnavailable(
                "the weather service asked for fewer calls; it is left alone for an hour"
            )
        recent = [t for t in self._calls if timedelta() <= now - t < timedelta(days=1)]
        if len(recent) >= MAX_CALLS_A_DAY:
            raise WeatherUnavailable(
                f"the weather service was called {MAX_CALLS_A_DAY} times within a day; no more for now"
            )
        self._calls.append(now)

    def _judged(self, answer: Answer, now: datetime) -> Answer:
        if answer.status == 200:
            if answer.content_type != "application/json":
                raise TransferFailed(
                    f"it answered with {answer.content_type[:40] or 'no content type'}, not JSON; a network "
                    "with a login page does that: log in, or use another network",
                    transient=False,
                )
            return answer
        if answer.status == 429:
            self._limited_at = now
            raise TransferFailed(f"too many calls{_reason(answer)}", transient=False)
        if answer.status >= 500:
            raise TransferFailed(f"it has a fault of its own (status {answer.status})", transient=True)
        raise TransferFailed(
            f"it refused the question (status {answer.status}){_reason(answer)}", transient=False
        )

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


def _reason(answer: Answer) -> str:
    """The service's own reason, made harmless, or nothing."""
    try:
        body = parse_strict(answer.body)
    except NotStrictError:
        return ""
    reason = body.get("reason") if isinstance(body, dict) else None
    if not isinstance(reason, str):
        return ""
    return ": " + "".join(c if c.isprintable() else " " for c in reason[:REASON_LENGTH])
