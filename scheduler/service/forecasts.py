"""Fetching weather beside the loop: one fetch at a time, in a thread of its own; the answer is an event."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import timedelta

from scheduler.agronomy.weather import DayWeather, merged
from scheduler.control.events import Event, WeatherArrived, WeatherFailed
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.service.clock import Clock
from scheduler.site.errors import FallingheadError, StoreError
from scheduler.site.model import Site
from scheduler.store.store import Store
from scheduler.weather.possible import possible_days
from scheduler.weather.service import WeatherService
from scheduler.weather.weather_file import read_weather_csv

# Past days mend the balance after the service was down; days to come feed the outlook of the store.
PAST_DAYS = 7
DAYS = 9
# Stored days that tell the same week of past years: as many as the store keeps for the weeks ahead.
YEARS_BACK = timedelta(days=800)

log = logging.getLogger("fallinghead")


class StoredPast:
    """What the garden knows of its own past: the days in its store, and those of its weather file.

    Called once at the start, and at each fetch from the fetching thread.
    """

    def __init__(self, site: Site, store: Store, clock: Clock) -> None:
        self._site = site
        self._store = store
        self._clock = clock
        self._filed: tuple[DayWeather, ...] | None = None

    def __call__(self) -> tuple[DayWeather, ...]:
        today = self._clock.now().wall.astimezone(self._site.place.timezone).date()
        try:
            stored = self._store.weather_since(today - YEARS_BACK)
        except StoreError as error:
            log.error("The stored days of past years cannot be read: %s", error)
            stored = ()
        return merged(self._of_file(), (d for d in stored if d.day < today))

    def whole(self) -> PastWeather | None:
        """What plans draw the weather beyond the forecast from, the days that are over; None without a day.

        A weather file that cannot be read is told in the log: the garden is watered without it.
        """
        today = self._clock.now().wall.astimezone(self._site.place.timezone).date()
        try:
            days = self()
        except FallingheadError as error:
            log.error("Past years cannot be read: %s", error)
            self._filed = ()
            days = self()
        return past_weather(
            (d for d in possible_days(days, self._site.place) if d.day < today), self._site.place
        )

    def _of_file(self) -> tuple[DayWeather, ...]:
        if self._filed is None:
            path = self._site.forecast.path
            self._filed = read_weather_csv(path) if path is not None else ()
        return self._filed


class Fetching:
    """A shell's weather. ``later`` puts the fetch off a little at random; the first is made at once."""

    def __init__(
        self,
        service: WeatherService,
        site: Site,
        clock: Clock,
        post: Callable[[Event], None],
        *,
        later: Callable[[Callable[[], None]], None] | None = None,
    ) -> None:
        self._service = service
        self._site = site
        self._clock = clock
        self._post = post
        self._later = later
        self._fetched = False
        self._busy = threading.Lock()
        self.trouble: str | None = None

    def say(self, text: str) -> None:
        """For the cache: why it answers with what it has."""
        self.trouble = text

    def ask(self) -> None:
        if self._later is None or not self._fetched:
            self._fetched = True
            self._begin()
        else:
            self._later(self._begin)

    def _begin(self) -> None:
        if self._busy.acquire(blocking=False):
            threading.Thread(target=self._fetch, name="weather", daemon=True).start()

    def _fetch(self) -> None:
        try:
            self.trouble = None
            now = self._clock.now().wall
            today = now.astimezone(self._site.place.timezone).date()
            outlook = self._service.fetch(
                self._site.place, today=today, past_days=PAST_DAYS, days=DAYS, now=now
            )
            self._post(WeatherArrived(outlook))
            if self.trouble is not None:
                self._post(WeatherFailed(self.trouble))
        except FallingheadError as error:
            self._post(WeatherFailed(str(error)))
        except Exception as error:
            log.exception("the forecast could not be fetched")
            self._post(WeatherFailed(f"the forecast could not be fetched ({type(error).__name__})"))
        finally:
            self._busy.release()
