"""What every source of weather is to the rest of the house."""

from __future__ import annotations

from datetime import date, datetime
from typing import Protocol

from scheduler.agronomy.weather import Outlook
from scheduler.site.model import GardenPlace


class WeatherService(Protocol):
    """Past days and days to come for one place."""

    name: str

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """The weather of ``past_days`` before ``today`` and of ``days`` days of which today is the first.

        ``today`` is the local day at ``place``, ``now`` the aware UTC time that the outlook is stamped with.
        Days or figures that the source does not know are left out or None. Raises WeatherUnavailable when
        there is nothing to be had, with a text for people.
        """
        ...
