"""The plain timer that this garden is compared with: set once in spring, never adjusted.

Whoever sets it does so well: for a typical day of spring's last fortnight and plants as grown as they are
when the season begins, with the barrels full, each zone gets the single run time that serves its plants best.
After that it knows only how often and how long. Where the weather of that fortnight is not known, the
season's first fortnight stands for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.need import daily_need_l
from scheduler.agronomy.weather import DayWeather
from scheduler.planning.garden import GardenModel
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.garden import TrueGarden
from scheduler.site.model import Site

# Days whose mean weather stands for the season when the timer is set.
SPRING_DAYS = 14
# Month and day of spring's last day, the eve of the solstice, north and south of the equator.
SPRING_ENDS_NORTH, SPRING_ENDS_SOUTH = (6, 20), (12, 20)
# A usual setting for beds and pots in summer (common practice, no source).
EVERY_DAYS = 2


@dataclass(frozen=True, slots=True)
class FixedTimer:
    """Each zone's run (s), one after the other from ``start`` local time, every so many days."""

    run_s: Mapping[str, float]
    every_days: int
    start: time


@dataclass(frozen=True, slots=True)
class TimerDay:
    """What the timer's own garden did on one local day."""

    day: date
    given_l: Mapping[str, float]
    level_m: float  # at the day's end


def set_timer(site: Site, model: GardenModel, days: Sequence[DayWeather], first: date) -> FixedTimer:
    """Set the timer, barrels full, for the season that begins on ``first``.

    ``days``: the weather known of that year, in any order. ValueError when neither spring's last
    fortnight nor the season's first has temperatures.
    """
    typical_mm = _typical_et0_mm(site, days, first)
    run_s = {}
    for zone_id, zone in model.zones.items():
        fed = {e.plant for e in zone.zone.emitters if e.plant is not None}
        targets = {p.id: EVERY_DAYS * daily_need_l(p, typical_mm, first) for p in site.plants if p.id in fed}
        drawn = zone.drawdown.balanced_run(
            model.stage.brim_level_m,
            {p: litres for p, litres in targets.items() if litres > 0.0},
            max_run_s=site.node.longest_open_s,
            level_floor_m=0.0,
        )
        run_s[zone_id] = float(drawn.run_s)
    return FixedTimer(run_s, EVERY_DAYS, site.windows[0].start)


def _typical_et0_mm(site: Site, days: Sequence[DayWeather], first: date) -> float:
    """Mean reference ET (mm a day) of the fortnight for which the timer is set."""
    month, day = SPRING_ENDS_NORTH if site.place.latitude_deg >= 0.0 else SPRING_ENDS_SOUTH
    year = first.year if date(first.year, month, day) < first else first.year - 1
    known = _fortnight_mm(site, days, date(year, month, day) - timedelta(days=SPRING_DAYS - 1))
    if 2 * len(known) < SPRING_DAYS:  # fewer days may be one warm or cold spell
        known = _fortnight_mm(site, days, first)
    if not known:
        raise ValueError(f"no temperatures in the {SPRING_DAYS} days from {first}: a timer cannot be set")
    return sum(known) / len(known)


def _fortnight_mm(site: Site, days: Sequence[DayWeather], begins: date) -> list[float]:
    ends = begins + timedelta(days=SPRING_DAYS)
    found = [reference_et(d, site.place) for d in days if begins <= d.day < ends]
    return [e.et0_mm for e in found if e is not None]


def run_timer(garden: TrueGarden, timer: FixedTimer, first: date, last: date) -> tuple[TimerDay, ...]:
    """Let the timer water its own copy of the garden from ``first`` to ``last``."""
    place = garden.site.place.timezone
    found = []
    given = dict(garden.plant_l)
    day = first
    while day <= last:
        if (day - first).days % timer.every_days == 0:
            _water(garden, timer, datetime.combine(day, timer.start, tzinfo=place).astimezone(UTC))
        garden.advance(local_midnight(day + timedelta(days=1), place))
        found.append(TimerDay(day, {p: v - given[p] for p, v in garden.plant_l.items()}, garden.level_m))
        given = dict(garden.plant_l)
        day += timedelta(days=1)
    return tuple(found)


def _water(garden: TrueGarden, timer: FixedTimer, at: datetime) -> None:
    garden.advance(at)
    for zone_id, run_s in timer.run_s.items():
        if run_s <= 0.0:
            continue
        garden.open_valve(zone_id)
        garden.advance(garden.clock + timedelta(seconds=run_s))
        garden.close_valve(zone_id)
        garden.advance(garden.travel_end(zone_id))
