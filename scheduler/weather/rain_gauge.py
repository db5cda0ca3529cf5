"""A tipping rain gauge: its count of tips as rain of whole local days."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

from scheduler.agronomy.weather import MeasuredRain
from scheduler.site.model import GardenPlace
from scheduler.weather.ranges import RAIN
from scheduler.weather.timeline import Span, bounds, day_sum

SOURCE = "rain gauge"
# Over a longer silence nobody knows on which day the rain fell, other than within it.
LONGEST_SILENCE = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """The gauge's running count of tips at an instant (aware UTC)."""

    at: datetime
    tips: int


@dataclass(frozen=True, slots=True)
class TippingGauge:
    """``mm_per_tip``: rain that fills its spoon, from its maker or a poured measure; typically 0.2 to 0.5."""

    mm_per_tip: float
    source: str = SOURCE

    def __post_init__(self) -> None:
        if not 0.0 < self.mm_per_tip <= 5.0:
            raise ValueError(f"a tip of {self.mm_per_tip:g} mm is no rain gauge; 0 to 5 mm is")

    def daily(
        self, readings: Iterable[GaugeReading], days: Iterable[date], place: GardenPlace
    ) -> tuple[MeasuredRain, ...]:
        """Rain of those days that readings cover from end to end; the others stay unknown.

        A count that goes back is a gauge that was started anew: what fell while it was off is not known.
        """
        spans = self._spans(sorted(readings, key=lambda r: r.at))
        found = []
        for day in days:
            rain_mm = day_sum(spans, day, place.timezone)
            if rain_mm is not None and RAIN.holds(rain_mm):
                found.append(MeasuredRain(day, rain_mm, self.source, bounds(day, place.timezone)[1]))
        return tuple(found)

    def _spans(self, readings: Sequence[GaugeReading]) -> list[Span]:
        return [
            Span(a.at, b.at, (b.tips - a.tips) * self.mm_per_tip)
            for a, b in pairwise(readings)
            if b.tips >= a.tips and timedelta() < b.at - a.at <= LONGEST_SILENCE
        ]
