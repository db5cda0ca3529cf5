"""The forecast of MET Norway (Locationforecast 2.0): the whole world, no past days, no radiation.

Its terms: say who calls and how to write to them; ask no sooner than it says (``Expires``) and then only
for what has changed (``If-Modified-Since``); show its credit. Refused callers may be banned, so without a
contact no call is made at all.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from email.utils import parsedate_to_datetime
from random import Random

from scheduler.agronomy.weather import Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import Answer, BoundedGet, Clock
from scheduler.weather.checked import ReplyRefusedError
from scheduler.weather.day_parts import days_of_parts, sun_from_cloud
from scheduler.weather.met_norway_reply import MetNorwayReply, read_reply
from scheduler.weather.polite import PoliteCaller, user_agent
from scheduler.weather.possible import possible_days
from scheduler.weather.service import check_told, need_contact
from scheduler.weather.strict_json import NotStrictError, parse_strict

BASE_URL = "https://api.met.no"
ATTRIBUTION = "Data from MET Norway (NLOD 2.0, CC BY 4.0)"
# Four are the most it takes; two, about 1 km, give away no house.
COORDINATE_DIGITS = 2
MAX_DAYS = 10
# ``Expires`` further off than this is a wrong clock, its or ours.
LONGEST_HOLD = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class _Kept:
    """The last good reply, and what the service said about asking again."""

    place: GardenPlace
    reply: MetNorwayReply
    last_modified: str | None
    expires: datetime | None
    fetched_at: datetime


class MetNorway:
    """A WeatherService. Only whole days count: today's rain is unknown once the day has begun."""

    name = "met-norway"

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
        self._url = f"{base_url.rstrip('/')}/weatherapi/locationforecast/2.0/complete"
        self._caller = PoliteCaller(get or BoundedGet(user_agent(contact), clock), random, sleep, say)
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
        kept = self._current(place, now)
        check_told(kept.reply.updated_at, now)
        told = days_of_parts(kept.reply.parts, place, today, min(max(days, 1), MAX_DAYS))
        if all(d.tmin_c is None and d.tmax_c is None and d.rain_mm is None for d in told):
            raise WeatherUnavailable("the weather service's answer cannot be used: no day of it is whole")
        return Outlook(
            possible_days(told, place),
            self.name,
            kept.fetched_at,
            ATTRIBUTION,
            borrowed=sun_from_cloud(told, kept.fetched_at),
            issued_at=kept.reply.updated_at,
        )

    def _current(self, place: GardenPlace, now: datetime) -> _Kept:
        """The kept reply while it holds or has not changed, else a new one."""
        kept = self._kept if self._kept is not None and self._kept.place == place else None
        if kept is not None and kept.expires is not None and kept.fetched_at <= now < kept.expires:
            return kept
        headers = {}
        if kept is not None and kept.last_modified is not None:
            headers["If-Modified-Since"] = kept.last_modified  # exactly as it was sent
        answer = self._caller.ask(self._url, _query(place), now, headers=headers)
        if answer.status == 304 and kept is not None:
            reply, last_modified = kept.reply, kept.last_modified
        else:
            reply, last_modified = _read(answer, place), answer.headers.get("Last-Modified")
        self._kept = _Kept(place, reply, last_modified, _expires(answer, now), now)
        return self._kept


def _query(place: GardenPlace) -> dict[str, str]:
    return {
        "lat": f"{place.latitude_deg:.{COORDINATE_DIGITS}f}",
        "lon": f"{place.longitude_deg:.{COORDINATE_DIGITS}f}",
        "altitude": f"{place.altitude_m:.0f}",
    }


def _read(answer: Answer, place: GardenPlace) -> MetNorwayReply:
    try:
        return read_reply(parse_strict(answer.body), place)
    except (NotStrictError, ReplyRefusedError) as error:
        raise WeatherUnavailable(f"the weather service's answer cannot be used: {error}") from error


def _expires(answer: Answer, now: datetime) -> datetime | None:
    """When it may be asked again; None where it does not say, or says what cannot be."""
    try:
        at = parsedate_to_datetime(answer.headers.get("Expires", ""))
    except ValueError:
        return None
    at = at.astimezone(UTC) if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return at if now < at <= now + LONGEST_HOLD else None
