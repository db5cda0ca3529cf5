"""The weeks ahead of one garden: how long the water lasts, what to top up until when, what would run over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.planning.forecast_ways import forecast_ways, ways_ahead
from scheduler.planning.garden import GardenModel
from scheduler.planning.garden_ahead import GardenAhead, garden_ahead
from scheduler.planning.outlook_ways import in_a_row, outlook_ways
from scheduler.planning.past_years import past_weather
from scheduler.planning.spending import HORIZON_D, MEMBERS
from scheduler.planning.trajectories import Array, Trajectories, days_left, store_trajectories

# As far as the daily plan looks: beyond two months the sky decides, not the store.
HORIZON_DAYS = HORIZON_D
# A top-up is to carry through in so many of the ways.
SURE = 0.9
# Rain that is to run over is told when it does so in so many of the ways: below that it is a false promise.
LIKELY = 0.7
# Less is no watering.
LEAST_RUN_L = 0.1
# A storm that can be used is a matter of the forecast's next days.
STORM_DAYS = 3
# A top-up is worked out to this.
STEP_L = 1.0
# A top-up is done so many days before the store may run short, and no helper is asked oftener than this.
BEFORE_DAYS = 2
BETWEEN_DAYS = 2


@dataclass(frozen=True, slots=True)
class ComingRun:
    """When a zone is probably watered next: by that day in half of the ways, and about so much then."""

    zone: str
    day: date
    volume_l: float


@dataclass(frozen=True, slots=True)
class Visit:
    """Somebody tops up in the evening of that day; ``at_once``: now, for today's run would be short."""

    day: date
    volume_l: float
    at_once: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """The store through many ways of the weather from ``first`` on. ``past_years``: whether the days beyond
    the forecast are drawn from the place's own past; if not, its use goes on and no rain is assumed."""

    garden: GardenAhead
    first: date
    held_l: float
    depletion_mm: Array
    et0_mm: Array
    rain_mm: Array
    ways: Trajectories
    past_years: bool

    @property
    def days_left(self) -> tuple[int | None, int | None, int | None]:
        """Whole days that can be watered, early, middle and late (None: beyond the horizon): what the day's
        plan has from ``lasting``."""
        return days_left(self.ways.days_left, self.ways.horizon_days)

    def chance_through(self, last: date) -> float:
        """Share of the ways in which every want up to ``last``, that day included, is met.

        ValueError for a day outside the horizon.
        """
        return float(np.mean(self.ways.days_left >= self._days_to(last)))

    def top_up_l(self, last: date, *, sure: float = SURE) -> float | None:
        """Least litres to add now so that the store lasts through ``last`` in that share of the ways.

        0 when it does so anyway; None when even full barrels do not.
        """
        days = self._days_to(last)
        if self.chance_through(last) >= sure:
            return 0.0
        low, high = 0.0, self.garden.full_l - self.held_l
        if high <= 0.0 or not self._lasts(self.held_l + high, days, sure):
            return None
        while high - low > STEP_L:
            middle = (low + high) / 2.0
            if self._lasts(self.held_l + middle, days, sure):
                high = middle
            else:
                low = middle
        return high

    def visits(self, last: date, *, sure: float = SURE) -> tuple[Visit, ...] | None:
        """On which evenings (the first perhaps at once) somebody must top up how much, so that the store
        lasts through ``last`` in that share of the ways; as late and as seldom as is safe. None when that is
        more than every other day."""
        days = self._days_to(last)
        added, now_l = np.zeros(self.ways.horizon_days), 0.0
        found: list[Visit] = []
        least = 0
        while True:
            ways = self._with(added, now_l)
            if float(np.mean(ways.days_left >= days)) >= sure:
                return tuple(found)
            short = int(np.quantile(ways.days_left, 1.0 - sure, method="inverted_cdf"))
            at_once = short == 0 and not found  # this evening is too late for today's run
            day = max(least, short - BEFORE_DAYS)
            held_l = self.held_l if at_once else float(np.median(ways.held_l[:, day + 1]))
            room = self.garden.full_l - held_l
            if (day >= short and not at_once) or room < STEP_L:
                return None
            if at_once:
                now_l = litres = self._least_l(added, None, 0.0, days, room, sure)
            else:
                added[day] = litres = self._least_l(added, day, now_l, days, room, sure)
            found.append(Visit(self.first + timedelta(days=day), litres, at_once))
            least = day + BETWEEN_DAYS

    def rain_gives_l(self, last: date) -> tuple[float, float]:
        """Litres that the roof brings through ``last``: in nine of ten ways at least, and in the middle."""
        caught = self.ways.caught_l[:, : self._days_to(last)].sum(axis=1)
        sure, middle = np.quantile(caught, (1.0 - SURE, 0.5), method="inverted_cdf")
        return float(sure), float(middle)

    def coming_runs(self) -> tuple[ComingRun, ...]:
        """The next watering of each zone, soonest first; without those that are not watered in half of the
        ways within the horizon."""
        found = []
        for row, zone in enumerate(self.garden.zone_ids):
            runs = self.ways.zone_given_l[:, :, row] > LEAST_RUN_L
            day = np.where(runs.any(axis=1), runs.argmax(axis=1), self.ways.horizon_days)
            middle = int(np.quantile(day, 0.5, method="inverted_cdf"))
            if middle < self.ways.horizon_days:
                litres = self.ways.zone_given_l[runs[:, middle], middle, row]
                found.append(ComingRun(zone, self.first + timedelta(days=middle), float(np.median(litres))))
        return tuple(sorted(found, key=lambda run: run.day))

    def could_take_l(self) -> tuple[tuple[str, float], ...]:
        """Litres that each zone's root zones have room for now, none of which would drain away."""
        room = self.garden.table.gross_l(self.depletion_mm)
        return tuple(
            (zone, float(room[self.garden.zone_rows == row].sum()))
            for row, zone in enumerate(self.garden.zone_ids)
        )

    def runs_over_l(self, days: int = STORM_DAYS) -> float:
        """Litres that run over in the next days in at least ``LIKELY`` of the ways; 0 when none do."""
        over = self.ways.overflow_l[:, :days].sum(axis=1)
        return float(np.quantile(over, 1.0 - LIKELY, method="inverted_cdf"))

    def _least_l(
        self, added: Array, day: int | None, now_l: float, days: int, room: float, sure: float
    ) -> float:
        """Least top-up on that day (None: at once) that carries through; all that fits where none does."""
        low, high = 0.0, room
        while high - low > STEP_L:
            middle = (low + high) / 2.0
            tried, at_once = added.copy(), middle if day is None else now_l
            if day is not None:
                tried[day] = middle
            if float(np.mean(self._with(tried, at_once).days_left >= days)) >= sure:
                high = middle
            else:
                low = middle
        return high

    def _with(self, added_l: Array, now_l: float = 0.0) -> Trajectories:
        """With so much topped up in the evening of each day, and at once."""
        return store_trajectories(
            self.garden, self.held_l + now_l, self.depletion_mm, self.et0_mm, self.rain_mm, added_l
        )

    def _lasts(self, held_l: float, days: int, sure: float) -> bool:
        ways = store_trajectories(self.garden, held_l, self.depletion_mm, self.et0_mm, self.rain_mm)
        return float(np.mean(ways.days_left >= days)) >= sure

    def _days_to(self, last: date) -> int:
        days = (last - self.first).days + 1
        if not 1 <= days <= self.ways.horizon_days:
            end = self.first + timedelta(days=self.ways.horizon_days - 1)
            raise ValueError(f"{last} lies outside what is looked at, {self.first} to {end}")
        return days


def look_ahead(
    model: GardenModel,
    *,
    level_m: float,
    depletion_mm: Mapping[str, float],
    first: date,
    forecast: Outlook | Sequence[DayWeather],
    past: Sequence[DayWeather] = (),
    leak_l: float = 0.0,
    horizon_days: int = HORIZON_DAYS,
    members: int = MEMBERS,
) -> Ahead | None:
    """The weeks from ``first`` (today) on; None where neither forecast nor past tells the use of water.

    ``forecast``: days from today on as far as known, or a whole outlook with its members and what stands in
    for a fresh forecast; ``past``: days before it, the more years the better; ``leak_l``: litres a day that a
    known leak takes.
    """
    place = model.site.place
    known = past_weather([d for d in past if d.day < first], place)
    if isinstance(forecast, Outlook):
        told = outlook_ways(forecast, first, place, members)
    else:
        days = in_a_row(forecast, first)
        told = forecast_ways(days, place, members) if days else None
    ways = ways_ahead(known, told, first, horizon_days, members)
    if ways is None:
        return None
    days_ahead = [first + timedelta(days=n) for n in range(horizon_days)]
    garden = garden_ahead(model, days_ahead, level_m=level_m, leak_l=leak_l)
    held_l = model.stage.volume_l(level_m)
    start = garden.start(dict(depletion_mm))
    found = store_trajectories(garden, held_l, start, *ways)
    years = known is not None and len(known.et0_mm) > horizon_days
    return Ahead(garden, first, held_l, start, *ways, found, years)
