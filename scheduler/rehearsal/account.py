"""What each plant wanted, got and was promised: kept apart from the controller, from the garden's truth.

Days count while the true store stands above the zone's floor (the reserve, or the level at which its worst
emitter stops), until rationing first withholds water from the zone. A plant's wish counts up to its last
watering, since what it used after that is not due yet; when it is overdue and was passed over, it counts in
full. Rain that refills the roots lowers the wish; rain that falls after the day's watering finds less room,
and what runs past the roots then is the rain's, not the watering's (``overtaken_l`` tells how much: with the
weather known in advance it need not have been given).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.agronomy.et0 import ReferenceEt
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, RootZone, advance_day, full_root_zone, plant_need
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import Plant

# Errors of the season so far are watched from this counted day on: before it a single run decides them.
SETTLED_DAYS = 7
# A plant passed over counts as neglected from this share of its allowable depletion on: the controller's
# own account may differ by its few per cent of delivery error without being wrong.
NEGLECTED = 1.15


@dataclass(frozen=True, slots=True)
class PlantSeason:
    """Litres over the counted days, and errors as shares; None where there is nothing to divide by.

    ``*_worst`` is the error of the season so far on its worst day after the first ``SETTLED_DAYS``.
    """

    id: str
    zone: str
    wanted_l: float
    planned_l: float
    given_l: float
    fixed_timer_l: float
    need_error: float | None
    delivery_error: float | None
    fixed_timer_error: float | None
    need_error_worst: float | None
    delivery_error_worst: float | None
    fixed_timer_error_worst: float | None
    counted_days: int
    overtaken_l: float = 0.0  # of given_l: made needless by rain later the same day
    hindsight_error: float | None = None  # need_error had that rain been foreknown


def share_error(part_l: float, whole_l: float) -> float | None:
    """part / whole - 1; None when the whole is nothing."""
    return part_l / whole_l - 1.0 if whole_l > 1e-9 else None


def worse(a: float | None, b: float | None) -> float | None:
    """The one further from 0."""
    if a is None or b is None:
        return b if a is None else a
    return a if abs(a) >= abs(b) else b


@dataclass(slots=True)
class PlantAccount:
    """One plant, day by day."""

    plant: Plant
    zone: str
    root_zone: RootZone
    used_l: float = 0.0  # net of rain, counted days
    wanted_l: float = 0.0
    planned_l: float = 0.0
    given_l: float = 0.0
    timer_l: float = 0.0
    overtaken_l: float = 0.0
    counted: int = 0
    _neglected: bool = False
    _carried_l: float = 0.0  # missing from the roots since days ceased to count
    _worst: dict[str, float | None] = field(default_factory=dict)

    def day(
        self,
        weather: DayWeather,
        et0: ReferenceEt,
        today: date,
        *,
        counts: bool,
        planned_l: float,
        given_l: float,
        timer_l: float,
        rain_before: float = 1.0,
    ) -> float:
        """Enter one finished local day; the litres that the plant used of it net of rain.

        ``rain_before`` is the share of the day's rain that fell before its last watering.
        """
        result = advance_day(self.plant, self.root_zone, weather, et0, given_l)
        overtaken_l = self._overtaken_l(weather, given_l, result.percolated_l, rain_before)
        self.root_zone = result.root_zone
        net_l = result.wanted_l - result.rain_refilled_l + overtaken_l
        if counts:
            self.overtaken_l += overtaken_l
            # What built up while nothing could be given is still to be refilled.
            self.used_l += self._carried_l
            self._carried_l = 0.0
            self._enter(net_l, planned_l, given_l, timer_l)
        else:
            self._carried_l += net_l - given_l + result.percolated_l - overtaken_l
        etc_mm = plant_coefficient(self.plant, weather.day) * et0.et0_mm
        need = plant_need(self.plant, self.root_zone, today, etc_mm=etc_mm)
        self._neglected = need.due and need.overdue > NEGLECTED
        return net_l

    def _overtaken_l(
        self, weather: DayWeather, given_l: float, percolated_l: float, rain_before: float
    ) -> float:
        """Of the litres that ran past the roots, those which fitted when they were given, before the rain."""
        if percolated_l <= 0.0 or not weather.rain_mm or rain_before >= 1.0:
            return 0.0
        room_mm = max(0.0, self.root_zone.depletion_mm - rain_before * weather.rain_mm)
        fitted_l = room_mm * self.plant.canopy_m2 / APPLICATION_EFFICIENCY
        return max(0.0, percolated_l - max(0.0, given_l - fitted_l))

    def _enter(self, net_l: float, planned_l: float, given_l: float, timer_l: float) -> None:
        self.planned_l += planned_l
        self.given_l += given_l
        self.timer_l += timer_l
        if given_l > 0.0 or self._neglected:
            self.wanted_l = max(self.used_l, 0.0)
        self.used_l += net_l
        self.counted += 1
        if self.counted > SETTLED_DAYS:
            for name, part, whole in self._pairs():
                self._worst[name] = worse(self._worst.get(name), share_error(part, whole))

    def _pairs(self) -> tuple[tuple[str, float, float], ...]:
        return (
            ("need", self.given_l, self.wanted_l),
            ("delivery", self.given_l, self.planned_l),
            ("timer", self.timer_l, self.wanted_l),
        )

    def result(self) -> PlantSeason:
        return PlantSeason(
            id=self.plant.id,
            zone=self.zone,
            wanted_l=self.wanted_l,
            planned_l=self.planned_l,
            given_l=self.given_l,
            fixed_timer_l=self.timer_l,
            need_error=share_error(self.given_l, self.wanted_l),
            delivery_error=share_error(self.given_l, self.planned_l),
            fixed_timer_error=share_error(self.timer_l, self.wanted_l),
            need_error_worst=self._worst.get("need"),
            delivery_error_worst=self._worst.get("delivery"),
            fixed_timer_error_worst=self._worst.get("timer"),
            counted_days=self.counted,
            overtaken_l=self.overtaken_l,
            hindsight_error=share_error(self.given_l, max(0.0, self.wanted_l - self.overtaken_l)),
        )


def open_account(plant: Plant, zone: str) -> PlantAccount:
    """An account that begins with a full root zone."""
    return PlantAccount(plant, zone, full_root_zone(plant))
