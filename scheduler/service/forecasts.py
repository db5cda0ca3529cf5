"""Fetching weather beside the loop: one fetch at a time, in a thread of its own; the answer is an event."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from scheduler.control.events import Event, WeatherArrived, WeatherFailed
from scheduler.service.clock import Clock
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.weather.service import WeatherService

# Past days mend the balance after the service was down; days to come feed the outlook of the store.
PAST_DAYS = 7
DAYS = 9

log = logging.getLogger("fallinghead")


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
