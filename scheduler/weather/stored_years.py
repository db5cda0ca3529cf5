"""The last link of a chain: no forecast, so each coming day is as that week was in the years on record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from scheduler.agronomy.past_week import STORED_YEARS, PastWeek, week_of_past
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace

NAME = STORED_YEARS


class StoredYears:
    """A WeatherService out of days on record at the garden. Rain to come stays unknown: it is no promise.

    It tells temperatures only, from which ET0 follows (FAO-56 ch. 3). ``past_week`` gives the intervals.
    """

    name = NAME

    def __init__(self, days: Sequence[DayWeather]) -> None:
        self._days = tuple(days)

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. Past days are those on record, as they were."""
        on_record = [d for d in self._days if today - timedelta(days=past_days) <= d.day < today]
        coming = []
        for n in range(days):
            day = today + timedelta(days=n)
            week = week_of_past(self._days, day, place)
            if week is not None:
                coming.append(_as_day(day, week))
        if not coming and not on_record:
            raise WeatherUnavailable(
                f"{self.name}: there are no stored years of this week; name a weather file with past years"
            )
        return Outlook((*on_record, *coming), self.name, now)


def _as_day(day: date, week: PastWeek) -> DayWeather:
    return DayWeather(day, tmin_c=week.tmin_c, tmax_c=week.tmax_c)
