"""Weather while nobody answers: the last forecast as it ages, then the same week of stored years.

Stands outside the cache, so that what is worked out here never takes the place of a kept forecast. As long as
a fresh forecast reaches, it is handed through. Where it does not, ET0 of each day comes from the old
forecast's temperatures with an interval that widens, and from the stored years once theirs is the narrower
one. An old forecast's rain to come is *not known* any more; it is never taken as dry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from scheduler.agronomy.past_week import estimated_et0, week_of_past
from scheduler.agronomy.weather import Borrowed, DayWeather, Et0Estimate, Outlook, merged
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.possible import possible_days
from scheduler.weather.service import WeatherService
from scheduler.weather.stored_years import NAME

# A forecast that failed to be renewed for so long says less of today than it did (two of the usual fetches).
FRESH_FOR = timedelta(hours=12)
# Rain to come of a forecast older than this is not told any more (the rule of plans for old forecasts).
RAIN_FOR = timedelta(hours=48)
DAY = timedelta(days=1)
# What of an old forecast's day goes where stored years know better: all but its rain.
NOTHING: dict[str, Any] = {
    f.name: None if f.name != "wind_height_m" else f.default
    for f in fields(DayWeather)
    if f.name != "day" and "rain" not in f.name
}


class EnduringWeather:
    """A WeatherService that goes on without a network for as long as stored years tell something.

    ``past`` gives the garden's stored days, asked at each fetch; ``say`` hears that nobody answered.
    """

    def __init__(
        self,
        service: WeatherService,
        past: Callable[[], Sequence[DayWeather]],
        *,
        say: Callable[[str], object] = lambda _: None,
    ) -> None:
        self.name = service.name
        self._service = service
        self._past = past
        self._say = say

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. WeatherUnavailable when nothing was ever told and no year is stored."""
        window = _Window(place, today, past_days, days)
        stored = possible_days(self._past(), place)
        try:
            told = self._service.fetch(place, today=today, past_days=past_days, days=days, now=now)
        except WeatherUnavailable as error:
            found = _from_years_alone(stored, window, error)
            self._say(f"{error}; going on with the {NAME}")
            return found
        return aged(told, stored, window, now)


@dataclass(frozen=True, slots=True)
class _Window:
    """What is asked for: ``days`` from ``today`` on, and ``past_days`` before it."""

    place: GardenPlace
    today: date
    past_days: int
    days: int

    @property
    def coming(self) -> list[date]:
        return [self.today + n * DAY for n in range(self.days)]

    def gone_by(self, since: date) -> list[date]:
        """Days from ``since`` on that are over, as far back as is asked for."""
        first = max(since, self.today - self.past_days * DAY)
        return [first + n * DAY for n in range((self.today - first).days)]

    def estimate(
        self, day: date, told: DayWeather | None, age_d: float, stored: Sequence[DayWeather]
    ) -> _Estimated | None:
        found = estimated_et0(day, told, age_d, stored, self.place)
        if found is None or (told is not None and found == estimated_et0(day, told, age_d, (), self.place)):
            return None if found is None else _Estimated(found, None)
        week = week_of_past(stored, day, self.place)
        assert week is not None  # the estimate is of the past's
        weather = replace(told, **NOTHING) if told is not None else DayWeather(day)
        return _Estimated(found, replace(weather, tmin_c=week.tmin_c, tmax_c=week.tmax_c))


def aged(told: Outlook, stored: Sequence[DayWeather], window: _Window, now: datetime) -> Outlook:
    """The outlook as it may be used at ``now``: see the module. Fresh days stand as they were told."""
    age = max(timedelta(), now - told.fetched_at)
    since = told.fetched_at.astimezone(window.place.timezone).date()
    kept = _without_old_rain(told, window.today, since, now)
    days = {d.day: d for d in kept.days}
    # Days that went by since then are estimates too: nobody has measured them.
    gone_by = window.gone_by(since) if age > FRESH_FOR else []
    found = []
    for day in (*gone_by, *window.coming):
        if age <= FRESH_FOR and _has_temperatures(days.get(day)):
            continue
        # Of a day gone by the forecast was as old as that day; of one to come it is as old as it is now.
        age_d = float((day - since).days) if day < window.today else age / DAY
        found.append(window.estimate(day, days.get(day), age_d, stored))
    return _with_estimates(kept, [e for e in found if e is not None], stored, window.place)


@dataclass(frozen=True, slots=True)
class _Estimated:
    """``weather``: the day out of stored years; None where the old forecast's own stands."""

    et0: Et0Estimate
    weather: DayWeather | None


def _has_temperatures(day: DayWeather | None) -> bool:
    return day is not None and day.tmin_c is not None and day.tmax_c is not None


def _with_estimates(
    outlook: Outlook, found: Sequence[_Estimated], stored: Sequence[DayWeather], place: GardenPlace
) -> Outlook:
    days = tuple(e.weather for e in found if e.weather is not None)
    borrowed = outlook.borrowed
    if days:
        gone = {(d.day, name) for d in days for name in NOTHING}
        kept = (replace(b, values=tuple(v for v in b.values if v not in gone)) for b in borrowed)
        values = tuple((d.day, name) for d in days for name in ("tmin_c", "tmax_c"))
        borrowed = (*(b for b in kept if b.values), Borrowed(NAME, _newest_end(stored, place), values))
    return replace(
        outlook, days=merged(outlook.days, days), borrowed=borrowed, et0=tuple(e.et0 for e in found)
    )


def _without_old_rain(told: Outlook, today: date, since: date, now: datetime) -> Outlook:
    """Rain that was a forecast, once that forecast is too old for it; members of an ensemble too."""
    if told.ensemble is not None and now - told.ensemble.fetched_at > RAIN_FOR:
        told = replace(told, ensemble=None)
    if now - told.fetched_at <= RAIN_FOR:
        return told
    days = tuple(
        replace(d, rain_mm=None, rain_probability=None) if d.day >= min(since, today) else d
        for d in told.days
    )
    return replace(told, days=days)


def _from_years_alone(stored: Sequence[DayWeather], window: _Window, why: WeatherUnavailable) -> Outlook:
    """Where no forecast was ever kept. The stamp is that of the stored days, not now: it is no forecast."""
    known = {d.day for d in stored if _has_temperatures(d)}
    asked = (*(d for d in window.gone_by(date.min) if d not in known), *window.coming)
    found = [e for day in asked if (e := window.estimate(day, None, 0.0, stored)) is not None]
    if not found:
        raise WeatherUnavailable(
            f"{why}; there are no stored years of this week; name a weather file with past years"
        ) from why
    outlook = Outlook((), NAME, _newest_end(stored, window.place))
    return replace(_with_estimates(outlook, found, stored, window.place), borrowed=())


def _newest_end(stored: Sequence[DayWeather], place: GardenPlace) -> datetime:
    """When the newest of the stored days was over, UTC."""
    newest = max((d.day for d in stored), default=date.min)
    return datetime.combine(newest + DAY, time(), place.timezone).astimezone(UTC)
