"""The ensemble of Open-Meteo.com: many equally likely ways that the coming days may go.

Same terms as its forecast: free for a household's own garden only.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random

from scheduler.agronomy.weather import Ensemble
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import BoundedGet, Clock
from scheduler.weather.checked import ReplyRefusedError, as_list, as_object, figure, needed
from scheduler.weather.open_meteo import ATTRIBUTION, COORDINATE_DIGITS
from scheduler.weather.open_meteo_reply import Asked, check_days, check_place
from scheduler.weather.polite import PoliteCaller, user_agent
from scheduler.weather.ranges import RAIN, SOLAR, TEMPERATURE, Range
from scheduler.weather.strict_json import Json, NotStrictError, parse_strict

BASE_URL = "https://ensemble-api.open-meteo.com"
# 51 members for 15 days over the whole world.
MODEL = "ecmwf_ifs025_ensemble"
MAX_DAYS = 35
# No service has so many; a reply with more is a fault.
MAX_MEMBERS = 100
VARIABLES: Mapping[str, tuple[str, Range]] = {
    "temperature_2m_min": ("°C", TEMPERATURE),
    "temperature_2m_max": ("°C", TEMPERATURE),
    "precipitation_sum": ("mm", RAIN),
    "shortwave_radiation_sum": ("MJ/m²", SOLAR),
}
# Without these a member is no way that the days may go.
ALWAYS = ("precipitation_sum", "temperature_2m_min", "temperature_2m_max")

Rows = dict[int, list[float | None]]


@dataclass(slots=True)
class OpenMeteoEnsemble:
    """Fetches an Ensemble. One instance per garden."""

    random: Random
    model: str = MODEL
    base_url: str = BASE_URL
    clock: Clock = time.monotonic
    sleep: Callable[[float], object] = time.sleep
    get: BoundedGet | None = None
    _caller: PoliteCaller | None = None

    @property
    def name(self) -> str:
        return f"open-meteo ensemble {self.model}"

    def fetch(self, place: GardenPlace, *, today: date, days: int, now: datetime) -> Ensemble:
        """The members from ``today`` on. Raises WeatherUnavailable, with a text for people."""
        days = min(max(days, 1), MAX_DAYS)
        if self._caller is None:
            self._caller = PoliteCaller(
                self.get or BoundedGet(user_agent(), self.clock), self.random, self.sleep
            )
        url = f"{self.base_url.rstrip('/')}/v1/ensemble"
        answer = self._caller.ask(url, _query(place, self.model, days), now)
        try:
            tables = read_members(parse_strict(answer.body), Asked(place, today, days), self.model)
        except (NotStrictError, ReplyRefusedError) as error:
            raise WeatherUnavailable(f"the weather service's answer cannot be used: {error}") from error
        rain, low, high, sun = (tables[v] for v in (*ALWAYS, "shortwave_radiation_sum"))
        return Ensemble(today, rain, low, high, self.name, now, ATTRIBUTION, solar_mj_m2=sun)


def read_members(reply: Json, asked: Asked, model: str) -> dict[str, tuple[tuple[float | None, ...], ...]]:
    """Each variable as members x days; raises ReplyRefusedError.

    A member that knows nothing of rain or of temperature is left out. Member 0, the control, has the bare
    name; with several models each name ends with its model's.
    """
    top = as_object(reply, "the reply")
    check_place(top, asked)
    units = as_object(needed(top, "daily_units", "the reply"), "daily_units")
    daily = as_object(needed(top, "daily", "the reply"), "daily")
    check_days(needed(daily, "time", "daily"), asked)
    rows = {name: _rows(daily, units, name, asked.count, model) for name in VARIABLES}
    for name in ALWAYS:
        if not rows[name]:
            raise ReplyRefusedError(f"daily has no {name!r}")
    whole = sorted(m for m in rows[ALWAYS[0]] if all(_known(rows[name].get(m)) for name in ALWAYS))
    if not whole:
        raise ReplyRefusedError("every member of it is empty")
    unknown: list[float | None] = [None] * asked.count
    return {name: tuple(tuple(found.get(m, unknown)) for m in whole) for name, found in rows.items()}


def _rows(daily: Mapping[str, Json], units: Mapping[str, Json], name: str, count: int, model: str) -> Rows:
    """One variable by member number."""
    unit, allowed = VARIABLES[name]
    pattern = re.compile(rf"{name}(?:_member(\d{{2,3}}))?(?:_{re.escape(model)})?")
    found: Rows = {}
    for key, column in daily.items():
        match = pattern.fullmatch(key)
        if match is None:
            continue
        number = int(match.group(1) or 0)
        if number in found or number >= MAX_MEMBERS:
            raise ReplyRefusedError(f"daily has member {number} of {name} twice, or too many members")
        if units.get(key) != unit:
            raise ReplyRefusedError(f"daily {key[:60]} is in {str(units.get(key))[:20]!r}, not in {unit!r}")
        values = as_list(column, f"daily {key[:60]}")
        if len(values) != count:
            raise ReplyRefusedError(f"daily {key[:60]} is no list of {count}")
        found[number] = [figure(v, f"daily {key[:60]}", allowed) for v in values]
    return found


def _known(row: list[float | None] | None) -> bool:
    return row is not None and any(v is not None for v in row)


def _query(place: GardenPlace, model: str, days: int) -> dict[str, str]:
    return {
        "latitude": f"{place.latitude_deg:.{COORDINATE_DIGITS}f}",
        "longitude": f"{place.longitude_deg:.{COORDINATE_DIGITS}f}",
        "timezone": place.timezone.key,
        "models": model,
        "forecast_days": str(days),
        "daily": ",".join(VARIABLES),
        "temperature_unit": "celsius",
        "precipitation_unit": "mm",
        "timeformat": "iso8601",
    }


def last_day(ensemble: Ensemble) -> date:
    """The last day that any member knows the rain of; the horizon may end before the days asked for."""
    known = [n for n in range(len(ensemble.days)) if any(row[n] is not None for row in ensemble.rain_mm)]
    return ensemble.first + timedelta(days=max(known))
