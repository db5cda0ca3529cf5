"""A season in virtual time: the real controller against a virtual garden, a fixed timer beside it.

    season = rehearse(site, days, date(2012, 7, 1), date(2012, 9, 15), seed=1)

The same inputs and seed give the same season.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import Alert, Intent, RecordDay, RecordLearning
from scheduler.planning.choices import DEFAULT_WAY, Way
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import PlannedRun
from scheduler.planning.soaking import whole_runs
from scheduler.planning.windows import local_midnight
from scheduler.planning.words import WHOLE_SHARE
from scheduler.rehearsal import checks
from scheduler.rehearsal.account import (
    SETTLED_DAYS,
    PlantAccount,
    PlantSeason,
    open_account,
    share_error,
    worse,
)
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.node_model import OPEN_REPORT_S, VirtualNode
from scheduler.rehearsal.shell import VirtualShell
from scheduler.rehearsal.timer import FixedTimer, TimerDay, run_timer, set_timer
from scheduler.rehearsal.true_run import TrueRun
from scheduler.site.errors import UsageError
from scheduler.site.model import Site

# The store counts as above its floor from this much on: less than that a sensor of 5 mm offset and 4 mm
# noise cannot tell from the floor itself.
COUNT_MARGIN_M = 0.02


@dataclass(frozen=True, slots=True)
class SeasonDay:
    """One local day as it truly was. Litres by plant."""

    day: date
    level_m: float  # at its end
    timer_level_m: float
    usable_l: float  # above the reserve, at its end
    rain_mm: float | None
    et0_mm: float
    counted_zones: tuple[str, ...]
    planned_l: tuple[tuple[str, float], ...]
    given_l: tuple[tuple[str, float], ...]
    timer_l: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class ZoneSeason:
    """A zone's litres at its plants over the counted days."""

    id: str
    planned_l: float
    given_l: float
    delivery_error: float | None
    delivery_error_worst: float | None
    runs: int
    withheld_from: date | None = None  # first day on which rationing withheld water; not counted from then on


@dataclass(frozen=True, slots=True)
class Season:
    """All that a rehearsal found out. ``floor_reached``: when the true store first stood at its floor."""

    site: Site
    seed: int
    hidden: Hidden
    days: tuple[SeasonDay, ...]
    plants: tuple[PlantSeason, ...]
    zones: tuple[ZoneSeason, ...]
    runs: tuple[TrueRun, ...]
    intents: tuple[Intent, ...]
    alerts: tuple[Alert, ...]
    learned: tuple[RecordLearning, ...]
    root_days: tuple[RecordDay, ...]  # the controller's own balances, of finished days
    timer: FixedTimer
    reserve_level_m: float
    brim_level_m: float
    floor_reached: datetime | None
    rules_broken: tuple[str, ...]
    imbalance_l: float
    leak_l: float  # that the hidden leak took
    overflow_l: float
    timer_dry_days: int  # counted days on which the timer's own store was at the reserve
    events: int


def rehearse(
    site: Site,
    days: Sequence[DayWeather],
    start: date,
    end: date,
    seed: int,
    hidden: Hidden | None = None,
    *,
    start_level_m: float | None = None,
    open_report_s: float = OPEN_REPORT_S,
    rest_report_s: float | None = None,
    way: Way = DEFAULT_WAY,
    on_day: Callable[[], None] = lambda: None,
) -> Season:
    """Rehearse from the beginning of ``start`` to the end of ``end`` (local days).

    ``start_level_m`` None: the barrels begin full. ``rest_report_s`` thins the node's reports while every
    valve is shut: a garden with a slower sensor, which gives the controller less to go by. ``way``:
    how a store that will not last is spent. ``on_day`` is
    called as each day is over. UsageError when a day of the season has no temperatures.
    """
    if rest_report_s is not None:
        site = _with_slower_reports(site, rest_report_s)
    weather = season_weather(site, days, start, end)
    sizes = hidden if hidden is not None else Hidden()
    truth = draw_truth(site, seed, sizes)
    opens = local_midnight(start, site.place.timezone)
    ends = local_midnight(end + timedelta(days=1), site.place.timezone)
    garden = TrueGarden(site, truth, weather, opens, ends, start_level_m=start_level_m)
    other = TrueGarden(site, truth, weather, opens, ends, start_level_m=start_level_m, zones=garden.zones)
    node = VirtualNode(site, garden, rest_report_s=site.node.heartbeat_s, open_report_s=open_report_s)
    shell = VirtualShell(site, garden, node, days, seed, way)
    timer = set_timer(site, shell.state.model, days, start)
    timer_days = run_timer(other, timer, start, end)
    return _Rehearsal(site, seed, sizes, weather, shell, timer, timer_days, other).run(on_day)


def _with_slower_reports(site: Site, seconds: float) -> Site:
    sensor = replace(site.sensor, interval_s=seconds) if site.sensor is not None else None
    return replace(site, sensor=sensor, node=replace(site.node, heartbeat_s=seconds))


def season_weather(site: Site, days: Sequence[DayWeather], start: date, end: date) -> tuple[DayWeather, ...]:
    """The season's days, each with temperatures; UsageError names the first that has none."""
    by_day = {d.day: d for d in days}
    found = []
    for offset in range((end - start).days + 1):
        day = start + timedelta(days=offset)
        if day not in by_day or reference_et(by_day[day], site.place) is None:
            raise UsageError(
                f"the weather has no lowest and highest temperature for {day}; "
                "a season can only be rehearsed over days that were measured"
            )
        found.append(by_day[day])
    if not found:
        raise UsageError(f"the season ends on {end}, before it begins on {start}")
    return tuple(found)


class _Rehearsal:
    """The bookkeeping of one rehearsal, day by day."""

    def __init__(
        self,
        site: Site,
        seed: int,
        hidden: Hidden,
        weather: tuple[DayWeather, ...],
        shell: VirtualShell,
        timer: FixedTimer,
        timer_days: tuple[TimerDay, ...],
        timer_garden: TrueGarden,
    ) -> None:
        self.site, self.seed, self.hidden, self.weather = site, seed, hidden, weather
        self.shell, self.timer, self.timer_days = shell, timer, timer_days
        self.timer_garden = timer_garden
        self.model: GardenModel = shell.state.model
        self.accounts: dict[str, PlantAccount] = {
            p.id: open_account(p, site.zone_of(p.id).id) for p in site.plants
        }
        self.zone_worst: dict[str, float | None] = {z.id: None for z in site.zones}
        self.days: list[SeasonDay] = []
        self.floor_reached: datetime | None = None
        self.timer_dry_days = 0
        self.withheld: dict[str, date] = {}  # zones by the first day on which rationing withheld water

    def run(self, on_day: Callable[[], None]) -> Season:
        garden = self.shell.garden
        before = dict(garden.plant_l)
        for weather, timer_day in zip(self.weather, self.timer_days, strict=True):
            level_at_start = garden.level_m
            self.shell.run_to(local_midnight(weather.day + timedelta(days=1), self.site.place.timezone))
            given = {p: litres - before[p] for p, litres in garden.plant_l.items()}
            before = dict(garden.plant_l)
            self._close_day(weather, timer_day, given, level_at_start)
            on_day()
        return self._season()

    def _close_day(
        self, weather: DayWeather, timer_day: TimerDay, given: dict[str, float], level_at_start: float
    ) -> None:
        garden = self.shell.garden
        et0 = reference_et(weather, self.site.place)
        assert et0 is not None  # checked before the season began
        planned = self._planned_on(weather.day)
        lowest = min(level_at_start, garden.level_m)
        self.withheld = dict.fromkeys(self._withheld_on(weather.day), weather.day) | self.withheld
        counted = tuple(
            z.id
            for z in self.site.zones
            if z.id not in self.withheld and lowest > self.model.floor_level_m(z.id) + COUNT_MARGIN_M
        )
        tomorrow = weather.day + timedelta(days=1)
        begins, ends = (local_midnight(d, self.site.place.timezone) for d in (weather.day, tomorrow))
        rain_before = {z.id: garden.rain_before_watering(z.id, begins, ends) for z in self.site.zones}
        for account in self.accounts.values():
            plant = account.plant.id
            account.day(
                weather,
                et0,
                tomorrow,
                counts=account.zone in counted,
                planned_l=planned.get(plant, 0.0),
                given_l=given[plant],
                timer_l=timer_day.given_l[plant],
                rain_before=rain_before[account.zone],
            )
        if lowest <= self.model.lowest_floor_m + COUNT_MARGIN_M and self.floor_reached is None:
            self.floor_reached = garden.clock
        if counted and timer_day.level_m <= self.model.reserve_level_m:
            self.timer_dry_days += 1
        self._watch_zones()
        self.days.append(
            SeasonDay(
                day=weather.day,
                level_m=garden.level_m,
                timer_level_m=timer_day.level_m,
                usable_l=max(0.0, garden.volume_l - self.site.reserve.volume_l),
                rain_mm=weather.rain_mm,
                et0_mm=et0.et0_mm,
                counted_zones=counted,
                planned_l=tuple(sorted(planned.items())),
                given_l=tuple(sorted(given.items())),
                timer_l=tuple(sorted(timer_day.given_l.items())),
            )
        )

    def _withheld_on(self, day: date) -> set[str]:
        """Zones that a plan of that day passed over or cut for the sake of others: what was decided is no
        error of watering, and what follows from it (a drier soil) is none either."""
        plans = [p for p in self.shell.log.plans if p.day == day]
        skipped = {s.zone for p in plans for s in p.skipped if any(r.code == "rationed" for r in s.reasons)}
        return skipped | {r.zone for p in plans for r in whole_runs(p.runs) if _cut(r)}

    def _planned_on(self, day: date) -> dict[str, float]:
        """What that day's orders promised, by plant. A refused order promised once, however often tried."""
        zone = self.site.place.timezone
        today = [i for i in self.shell.log.intents if i.made_at.astimezone(zone).date() == day]
        accepted = [i for i in today if i.order.order_id in self.shell.node.accepted]
        served = {i.zone for i in accepted}
        refused = {i.zone: i for i in today if i.zone not in served}
        planned: dict[str, float] = {}
        for intent in (*accepted, *refused.values()):
            for plant, litres in intent.planned_l:
                planned[plant] = planned.get(plant, 0.0) + litres
        return planned

    def _watch_zones(self) -> None:
        for zone_id in self.zone_worst:
            mine = [a for a in self.accounts.values() if a.zone == zone_id]
            if mine and mine[0].counted > SETTLED_DAYS:
                error = share_error(sum(a.given_l for a in mine), sum(a.planned_l for a in mine))
                self.zone_worst[zone_id] = worse(self.zone_worst[zone_id], error)

    def _zone_season(self, zone_id: str) -> ZoneSeason:
        mine = [a for a in self.accounts.values() if a.zone == zone_id]
        planned, given = sum(a.planned_l for a in mine), sum(a.given_l for a in mine)
        runs = sum(1 for r in self.shell.garden.runs if r.zone == zone_id)
        error = share_error(given, planned)
        worst, withheld = self.zone_worst[zone_id], self.withheld.get(zone_id)
        return ZoneSeason(zone_id, planned, given, error, worst, runs, withheld)

    def _broken(self) -> Iterable[str]:
        log, garden, node = self.shell.log, self.shell.garden, self.shell.node
        closing = {z: zone.closing_s for z, zone in garden.zones.items()}
        travel = {z.valve.channel: garden.zones[z.id].closing_s for z in self.site.zones}
        floors = {z.id: self.model.floor_level_m(z.id) for z in self.site.zones}
        yield from checks.one_valve_at_a_time(garden.runs, closing)
        yield from checks.open_no_longer_than_ordered(log.orders, node.shut_after_s, travel)
        yield from checks.booked_once(log.intents, log.bookings, under_way=node.under_way())
        yield from checks.intent_before_order(log.sequence)
        yield from checks.told_once_a_day(log.alerts, self.site.place.timezone)
        yield from checks.above_the_reserve(garden.runs, self.model.reserve_level_m, floors)
        yield from checks.told_before_empty(log.alerts, self.floor_reached)

    def _season(self) -> Season:
        log, garden = self.shell.log, self.shell.garden
        return Season(
            site=self.site,
            seed=self.seed,
            hidden=self.hidden,
            days=tuple(self.days),
            plants=tuple(a.result() for a in self.accounts.values()),
            zones=tuple(self._zone_season(z) for z in self.zone_worst),
            runs=tuple(garden.runs),
            intents=tuple(log.intents),
            alerts=tuple(log.alerts),
            learned=tuple(log.learned),
            root_days=tuple(log.root_days),
            timer=self.timer,
            reserve_level_m=self.model.reserve_level_m,
            brim_level_m=garden.brim_m,
            floor_reached=self.floor_reached,
            rules_broken=tuple(self._broken()),
            leak_l=garden.leak_l,
            overflow_l=garden.overflow_l,
            imbalance_l=max(garden.imbalance_l, self.timer_garden.imbalance_l, key=abs),
            timer_dry_days=self.timer_dry_days,
            events=self.shell.events,
        )


def _cut(run: PlannedRun) -> bool:
    """Whether a rationed run gives its plants less in all than they want."""
    if not any(r.code == "rationed" for r in run.reasons):
        return False
    return sum(x.given_l for x in run.shares) < WHOLE_SHARE * sum(x.wanted_l for x in run.shares)


def spread(values: Iterable[float | None]) -> tuple[float | None, float | None]:
    """The value furthest from 0, and the mean of the distances from 0; None where there is none."""
    known = [v for v in values if v is not None]
    if not known:
        return None, None
    return max(known, key=abs), float(np.mean(np.abs(known)))
