"""The forecast of the US National Weather Service: land of the United States, no past days, no radiation.

Two steps: which grid cell a point lies in (kept, and asked again now and then), then that cell.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random
from typing import TypeVar

from scheduler.agronomy.weather import Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import Answer, BoundedGet, Clock
from scheduler.weather.checked import ReplyRefusedError
from scheduler.weather.day_parts import days_of_parts, sun_from_cloud
from scheduler.weather.polite import JSON_TYPES, PoliteCaller, user_agent
from scheduler.weather.possible import possible_days
from scheduler.weather.service import check_told, need_contact
from scheduler.weather.strict_json import Json, NotStrictError, parse_strict
from scheduler.weather.us_weather_reply import UsWeatherReply, grid_address, read_grid

BASE_URL = "https://api.weather.gov"
ATTRIBUTION = "Forecast by the US National Weather Service (public domain)"
# Four are the most it takes; two, about 1 km, give away no house.
COORDINATE_DIGITS = 2
MAX_DAYS = 8
# A grid cell's reply holds some sixty layers of a week; larger than any other service's.
MAX_BYTES = 1024 * 1024
# Offices change their grids seldom; a cell that is gone shows at once by its status.
CELL_HOLDS = timedelta(days=7)
T = TypeVar("T")
KINDS = JSON_TYPES | {"application/geo+json", "application/ld+json"}


@dataclass(frozen=True, slots=True)
class _Cell:
    place: GardenPlace
    address: str
    asked_at: datetime


@dataclass(frozen=True, slots=True)
class _Kept:
    address: str
    reply: UsWeatherReply
    last_modified: str


class UsWeather:
    """A WeatherService. Its wind is the greatest of each hour, so evaporation comes out a little high."""

    name = "us-weather"

    def __init__(
        self,
        random: Random,
        contact: str,
        *,
        base_url: str = BASE_URL,
        clock: Clock = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
        say: Callable[[str], object] = lambda _: None,
        get: BoundedGet | None = None,
    ) -> None:
        """``contact``: where the household can be written to; ``say`` hears what is worth a log line."""
        self._contact = contact
        self._url = base_url.rstrip("/")
        get = get or BoundedGet(user_agent(contact), clock, max_bytes=MAX_BYTES)
        self._caller = PoliteCaller(get, random, sleep, say)
        self._cell: _Cell | None = None
        self._kept: _Kept | None = None

    def fetch(
        self,
        place: GardenPlace,
        *,
        today: date,
        past_days: int,  # noqa: ARG002 - of the protocol; it knows no past
        days: int,
        now: datetime,
    ) -> Outlook:
        """As WeatherService; there are no past days."""
        need_contact(self.name, self._contact)
        reply = self._grid(place, now)
        check_told(reply.updated_at, now)
        told = days_of_parts(reply.parts, place, today, min(max(days, 1), MAX_DAYS))
        if all(d.tmin_c is None and d.tmax_c is None and d.rain_mm is None for d in told):
            raise WeatherUnavailable("the weather service's answer cannot be used: no day of it is whole")
        borrowed = sun_from_cloud(told, now)
        return Outlook(
            possible_days(told, place), self.name, now, ATTRIBUTION, borrowed, issued_at=reply.updated_at
        )

    def _grid(self, place: GardenPlace, now: datetime) -> UsWeatherReply:
        address = self._cell_of(place, now)
        kept = self._kept if self._kept is not None and self._kept.address == address else None
        headers = {"If-Modified-Since": kept.last_modified} if kept is not None else {}
        try:
            answer = self._caller.ask(address, {}, now, headers=headers, kinds=KINDS)
        except WeatherUnavailable:
            self._cell = None  # the cell may be gone: look it up afresh next time
            raise
        if answer.status == 304 and kept is not None:
            return kept.reply
        reply = _checked(lambda: read_grid(_json(answer)))
        last_modified = answer.headers.get("Last-Modified")
        self._kept = _Kept(address, reply, last_modified) if last_modified is not None else None
        return reply

    def _cell_of(self, place: GardenPlace, now: datetime) -> str:
        cell = self._cell
        if cell is None or cell.place != place or not timedelta() <= now - cell.asked_at < CELL_HOLDS:
            lat, lon = _short(place.latitude_deg), _short(place.longitude_deg)
            answer = self._caller.ask(f"{self._url}/points/{lat},{lon}", {}, now, kinds=KINDS)
            cell = _Cell(place, _checked(lambda: grid_address(_json(answer), self._url)), now)
            self._cell = cell
        return cell.address


def _short(degrees: float) -> str:
    """Rounded, without the trailing zeros at which it redirects."""
    return f"{round(degrees, COORDINATE_DIGITS):g}"


def _json(answer: Answer) -> Json:
    return parse_strict(answer.body)


def _checked(read: Callable[[], T]) -> T:
    try:
        return read()
    except (NotStrictError, ReplyRefusedError) as error:
        raise WeatherUnavailable(f"the weather service's answer cannot be used: {error}") from error
