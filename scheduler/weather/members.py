"""A forecast and, once a day, an ensemble's members beside it: other ways that the days may go."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Protocol

from scheduler.agronomy.weather import Ensemble, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.service import WeatherService

# Ensembles are renewed two to four times a day; their spread hardly changes within one.
RENEWED_AFTER = timedelta(hours=22)
# After a failure it is let be for so long: the plain forecast serves without it.
LET_BE_FOR = timedelta(hours=6)
# Members older than this are not handed on.
KEPT_FOR = timedelta(hours=48)
# More than two weeks count as more than one call of the service.
MEMBER_DAYS = 14


class EnsembleService(Protocol):
    """What fetches members, as ``OpenMeteoEnsemble``."""

    def fetch(self, place: GardenPlace, *, today: date, days: int, now: datetime) -> Ensemble: ...


class WithMembers:
    """A WeatherService whose outlooks carry members. Without them nothing is lost but their spread.

    ``say`` hears why none came; that is no failure of the forecast.
    """

    def __init__(
        self,
        service: WeatherService,
        ensemble: EnsembleService,
        *,
        say: Callable[[str], object] = lambda _: None,
    ) -> None:
        self.name = service.name
        self.sources: tuple[str, ...] = getattr(service, "sources", (service.name,))
        self._service = service
        self._ensemble = ensemble
        self._say = say
        self._last: Ensemble | None = None
        self._asked_at: datetime | None = None

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. No members are asked for where the forecast itself cannot be had."""
        outlook = self._service.fetch(place, today=today, past_days=past_days, days=days, now=now)
        if self._due(now):
            self._asked_at = now
            try:
                self._last = self._ensemble.fetch(place, today=today, days=MEMBER_DAYS, now=now)
            except WeatherUnavailable as error:
                self._say(f"no members of an ensemble: {error}; the plain forecast serves")
        members = self._last if self._last is not None and _age(self._last, now) <= KEPT_FOR else None
        return replace(outlook, ensemble=members)

    def _due(self, now: datetime) -> bool:
        """A stamp in the future is from a wrong clock: it holds nothing up."""
        if self._last is not None and _age(self._last, now) < RENEWED_AFTER:
            return False
        return self._asked_at is None or not timedelta() <= now - self._asked_at < LET_BE_FOR


def _age(members: Ensemble, now: datetime) -> timedelta:
    age = now - members.fetched_at
    return age if age >= timedelta() else KEPT_FOR + timedelta(days=1)
