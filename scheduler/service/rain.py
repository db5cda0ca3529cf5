"""A rain gauge's counts as they come in, and each day's rain once the day is over.

Called from the link's thread only. The counts of the last days are kept in the store every hour, so that a
restart does not make a day's rain unknown.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date, datetime, timedelta

from pydantic import TypeAdapter, ValidationError

from scheduler.control.events import Event, RainMeasured
from scheduler.site.errors import StoreError
from scheduler.site.model import GardenPlace, RainGauge
from scheduler.store.store import Store
from scheduler.weather.rain_gauge import GaugeReading, TippingGauge

MARK = "rain_gauge.v1"
# Readings between whole ones say nothing more of a day; two and a half days of them are kept.
LEAST_GAP = timedelta(minutes=10)
KEPT_FOR = timedelta(hours=60)
SAVED_EVERY = timedelta(hours=1)

log = logging.getLogger("fallinghead")
_READINGS = TypeAdapter(tuple[GaugeReading, ...])


class GaugeDays:
    """Turns a running count into RainMeasured events, one for each whole local day that it covers."""

    def __init__(
        self, gauge: RainGauge, place: GardenPlace, post: Callable[[Event], None], store: Store
    ) -> None:
        self._gauge = TippingGauge(gauge.tip_mm)
        self._place = place
        self._post = post
        self._store = store
        self._readings = self._kept()
        self._told: date | None = None
        self._saved_at: datetime | None = None

    def heard(self, tips: int, at: datetime) -> None:
        """One message of the gauge, at the aware time of its arrival."""
        last = self._readings[-1] if self._readings else None
        if last is not None and at < last.at:  # this machine's clock was set back: begin anew
            self._readings = ()
        elif last is not None and tips == last.tips and at - last.at < LEAST_GAP:
            return
        self._readings = (*(r for r in self._readings if at - r.at <= KEPT_FOR), GaugeReading(at, tips))
        yesterday = at.astimezone(self._place.timezone).date() - timedelta(days=1)
        if self._told != yesterday:
            self._told = yesterday
            for rain in self._gauge.daily(self._readings, [yesterday], self._place):
                self._post(RainMeasured(rain.day, rain.rain_mm))
        if self._saved_at is None or not timedelta() <= at - self._saved_at < SAVED_EVERY:
            self._saved_at = at
            self._save()

    def _kept(self) -> tuple[GaugeReading, ...]:
        try:
            text = self._store.mark(MARK)
            return _READINGS.validate_json(text) if text else ()
        except (StoreError, ValidationError) as error:
            log.warning("The rain gauge's earlier counts cannot be read: %s", error)
            return ()

    def _save(self) -> None:
        try:
            self._store.flush([], marks={MARK: _READINGS.dump_json(self._readings).decode()})
        except StoreError as error:
            log.warning("The rain gauge's counts cannot be kept: %s", error)
