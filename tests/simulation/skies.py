"""The weather and the service that tells it, well or badly."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import TYPE_CHECKING

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.events import WeatherArrived, WeatherFailed
from tests.simulation import sites
from tests.simulation.clockwork import SECOND, Clockwork

if TYPE_CHECKING:
    from tests.simulation.daemon import Daemon

PAST_DAYS = 7
COMING_DAYS = 8
ANSWER_MS = (300, 9 * SECOND)


class SimWeather:
    """Answers ``ask`` after a while, with an event. ``fault`` says what is wrong with the answers now."""

    def __init__(self, clock: Clockwork, first: date, days: int) -> None:
        self._clock = clock
        self._rng: random.Random = clock.stream("weather")
        self.daemon: Daemon | None = None
        self.fault: str | None = None
        self._frozen: Outlook | None = None
        self._days = {
            first + timedelta(days=n): self._draw(first + timedelta(days=n)) for n in range(-30, days + 30)
        }

    def _draw(self, day: date) -> DayWeather:
        rng = self._rng
        wet = rng.random() < 0.15
        rain = round(rng.expovariate(1 / 4.0), 1) if wet else 0.0
        tmax = rng.uniform(24.0, 34.0)
        return DayWeather(day, tmin_c=tmax - 13.0, tmax_c=tmax, rain_mm=rain, wind_ms=rng.uniform(1.0, 4.0))

    def rain_mm(self, day: date) -> float:
        return self._days[day].rain_mm or 0.0

    def ask(self) -> None:
        daemon = self.daemon
        assert daemon is not None
        life = daemon.lives
        if self.fault == "hangs":
            return
        self._clock.after(self._rng.randint(*ANSWER_MS), lambda: self._answer(daemon, life))

    def _answer(self, daemon: Daemon, life: int) -> None:
        if life != daemon.lives:
            return
        if self.fault == "fails":
            daemon.feed(WeatherFailed("the service does not answer"))
            return
        today = daemon.machine.now().wall.astimezone(sites.PLACE.timezone).date()
        if self.fault == "frozen":
            self._frozen = self._frozen or self._outlook(daemon, today)
            daemon.feed(WeatherArrived(self._frozen))
            return
        self._frozen = None
        daemon.feed(WeatherArrived(self._outlook(daemon, today)))

    def _outlook(self, daemon: Daemon, today: date) -> Outlook:
        days = []
        for n in range(-PAST_DAYS, COMING_DAYS):
            day = today + timedelta(days=n)
            true = self._days.get(day)
            if true is None:
                continue  # a wrong clock asked for days of another year
            days.append(self._spoilt(true, coming=n >= 0))
        return Outlook(tuple(d for d in days if d is not None), "simulated skies", daemon.machine.now().wall)

    def _spoilt(self, day: DayWeather, *, coming: bool) -> DayWeather | None:
        if self.fault == "nulls":
            return DayWeather(day.day)
        if self.fault == "gaps" and self._rng.random() < 0.5:
            return None
        if self.fault == "deluge" and coming:
            return DayWeather(day.day, day.tmin_c, day.tmax_c, 290.0)
        return day
