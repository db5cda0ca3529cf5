"""The practice garden: the real daemon, broker, messages and node firmware around a virtual garden, hurried.

    practice(site, days, first_day=date(2012, 7, 16), count=14)

Time runs fast while every valve is shut, slower while one moves or an order is about to go out, so that the
real programs keep up with it.
"""

from __future__ import annotations

import logging
import math
import random
import secrets
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import Alert
from scheduler.control.state import State
from scheduler.link.practice_broker import PracticeBroker, practice_accounts
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.account import open_account
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.practice_pace import PACE_WAITING, hold_from_s
from scheduler.rehearsal.practice_pace import pace as pace_of
from scheduler.rehearsal.practice_parts import GardenBoard, PracticeClock, channels_of
from scheduler.rehearsal.season import season_weather
from scheduler.service.clock import Clock
from scheduler.service.daemon import Daemon, Parts
from scheduler.service.forecasts import Fetching
from scheduler.service.loop import Loop
from scheduler.service.practised import check_keep, keep_practice
from scheduler.service.timers import Timers
from scheduler.site.errors import FallingheadError
from scheduler.site.model import DAILY_OPENINGS, Site
from scheduler.store.store import Store
from scheduler.weather.open_meteo import OpenMeteo
from scheduler.weather.practice_server import PracticeWeather

# Days over which the usual clogging grows: a practice of days sees its share of it.
CLOGGING_DAYS = 77
LOOK_S = 0.005
# A practice ends on the evening of its last day, while every plan, run and message of that day is still
# "today". So much is left of it for the daemon and the node to end in, which takes seconds.
EVENING = timedelta(minutes=10)
SHOW_S = 0.25
START_S_MAX = 20.0
NODE_TICK_MS = 2


class PracticeDaemon(Daemon):
    """The daemon, fetching its weather at once: the usual real minutes of jitter would be practice days."""

    def _weather(self, clock: Clock, loop: Loop, timers: Timers, store: Store) -> Fetching:
        if self._parts.weather is None:
            return super()._weather(clock, loop, timers, store)
        return Fetching(self._parts.weather, self.site, clock, loop.post)


@dataclass(frozen=True, slots=True)
class PlantTally:
    """What a plant wanted up to its last watering, by an account of its own, and what it truly got."""

    plant: str
    name: str
    wanted_l: float
    given_l: float


@dataclass(frozen=True, slots=True)
class Practised:
    """How a practice ended."""

    plants: tuple[PlantTally, ...]
    alerts: tuple[Alert, ...]
    runs: int
    level_m: float
    volume_l: float
    imbalance_l: float
    leak_l: float  # taken by the leak that the daemon is not told of
    caught_l: float  # rain from the roof, what ran over included
    overflow_l: float
    real_s: float


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What the view shows a few times a second."""

    now: datetime  # local
    day_number: int
    days: int
    level_m: float
    brim_m: float
    volume_l: float
    open_zone: str | None
    pace: float
    given_l: tuple[tuple[str, float], ...]
    said: tuple[str, ...]
    alerts: tuple[Alert, ...]


View = Callable[[Glimpse], None]


class _Said(logging.Handler):
    """The daemon's last lines, for the view."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines = [*self.lines[-7:], record.getMessage()]


class Practice:
    """All parts of one practice garden; ``run`` blocks until the evening of the last day."""

    def __init__(
        self,
        site: Site,
        days: Sequence[DayWeather],
        first_day: date,
        count: int,
        *,
        seed: int = 1,
        hidden: Hidden | None = None,
        start_level_m: float | None = None,
        hurry: float = 1.0,
        keep: Path | None = None,
    ) -> None:
        """``keep``: a folder for the store when the practice is over."""
        if keep is not None:
            check_keep(keep)
        self._keep = keep
        self.site = replace(site, people=())
        self.days, self.first_day, self.count, self.seed, self.hurry = days, first_day, count, seed, hurry
        zone = site.place.timezone
        self.starts = local_midnight(first_day, zone)
        self.ends = local_midnight(first_day + timedelta(days=count), zone)
        self.stops = self.ends - EVENING
        self.weather = season_weather(site, days, first_day, first_day + timedelta(days=count - 1))
        usual = Hidden()
        short = replace(usual, clogging_loss=usual.clogging_loss * min(1.0, count / CLOGGING_DAYS))
        truth = draw_truth(site, seed, hidden if hidden is not None else short)
        self.garden = TrueGarden(
            site, truth, self.weather, self.starts, self.ends, start_level_m=start_level_m
        )
        self.clock = PracticeClock(self.starts, PACE_WAITING)
        self.board = GardenBoard(self.site, self.garden, self.clock)
        self.alerts: list[Alert] = []
        self._by_day: list[dict[str, float]] = []
        self.failure: BaseException | None = None
        self.node_failure: BaseException | None = None
        self._daemon: Daemon | None = None
        self._booted_s = math.inf
        self._pacing = threading.Lock()
        self._over = threading.Event()
        self._key = secrets.token_bytes(32)

    def run(self, view: View | None = None) -> Practised:
        began = time.monotonic()
        log = logging.getLogger("fallinghead")
        said = _Said()
        kept = (log.propagate, log.level)
        log.addHandler(said)
        log.propagate = False
        log.setLevel(logging.INFO)
        try:
            with tempfile.TemporaryDirectory() as folder:
                self._run_in(Path(folder), view, said)
        finally:
            log.removeHandler(said)
            log.propagate = kept[0]
            log.setLevel(kept[1])
        return self._practised(time.monotonic() - began)

    def _run_in(self, folder: Path, view: View | None, said: _Said) -> None:
        accounts = practice_accounts(self.site.id, self.site.node.id)
        zone = self.site.place.timezone
        today = lambda: self.clock.now().wall.astimezone(zone).date()  # noqa: E731
        with (
            PracticeBroker(accounts=accounts) as broker,
            PracticeWeather(self.days, today, error_seed=self.seed) as weather,
        ):
            parts = Parts(
                store_path=folder / "practice.db",
                clock=self.clock,
                weather=OpenMeteo(random.Random(self.seed), base_url=weather.base_url),  # noqa: S311 - jitter
                node_key=self._key,
                broker_host=broker.host,
                broker_port=broker.port,
                broker_user=accounts[0].username,
                broker_password=accounts[0].password,
                on_alert=self.alerts.append,
                around=self.around,
            )
            daemon = self._daemon = PracticeDaemon(self.site, parts, {})
            node = threading.Thread(
                target=self._run_node, args=(broker.host, broker.port, accounts[1]), name="practice-node"
            )
            serving = threading.Thread(target=self._run_daemon, args=(daemon,), name="practice-daemon")
            node.start()
            serving.start()
            try:
                self._watch(view, said)
            finally:
                self.clock.set_pace(PACE_WAITING)  # what is written while all ends is of the same hour
                daemon.end()
                serving.join(15.0)
                self._over.set()
                node.join(10.0)
        for failure in (self.failure, self.node_failure):
            if failure is not None:
                raise failure
        if self._keep is not None:
            keep_practice(folder / "practice.db", self._keep, self.site.id, self.clock.now().wall)

    def _run_daemon(self, daemon: Daemon) -> None:
        try:
            daemon.run()
        except BaseException as error:
            self.failure = error

    def _run_node(self, host: str, port: int, account: Any) -> None:
        from firmware_stub.node_loop import NodeLoop
        from firmware_stub.practice_board import CallBoard

        settings = {
            "node": self.site.node.id,
            "key": self._key.hex(),
            "channels": channels_of(self.site),
            "longest_open_ms": int(self.site.node.longest_open_s * 1000.0),
            "daily_open_ms_max": int(DAILY_OPENINGS * self.site.node.longest_open_s * 1000.0),
            "heartbeat_ms": int(self.site.node.heartbeat_s * 1000.0),
            "tick_ms": NODE_TICK_MS,
            "broker": {
                "host": host,
                "port": port,
                "username": account.username,
                "password": account.password,
            },
        }
        make_loop: Any = NodeLoop  # the firmware is written for MicroPython and carries no types
        make_board: Any = CallBoard
        try:
            loop = make_loop(settings, make_board(self.board.respond, channels_of(self.site), self._key))
            loop.start()
            while not self._over.is_set():
                loop.step()
        except BaseException as error:
            self.node_failure = error

    # --- time

    @contextmanager
    def around(self) -> Iterator[None]:
        """No time passes while the daemon takes an event, decides and writes, however long a busy machine
        needs for it; then it goes on at the pace that suits what was decided."""
        self.clock.stand(True)
        try:
            yield
        finally:
            try:
                self._set_pace()
            finally:
                self.clock.stand(False)

    def _set_pace(self) -> float:
        with self._pacing:  # the daemon's thread and the watching one both do
            return self._set_pace_now()

    def _set_pace_now(self) -> float:
        state, now = self._state(), self.clock.now()
        moving, flowing = self.board.moving, self.garden.flowing()
        pace = pace_of(state, now.wall, now.monotonic_s, moving=moving, flowing=flowing)
        pace *= 1.0 if state is None else self.hurry
        if state is not None and (node := state.node) is not None:  # the quickest of its words tells it
            self._booted_s = min(self._booted_s, node.heard_mono_s - node.uptime_ms / 1000.0)
        beat_s = self.site.node.heartbeat_s
        held_s = hold_from_s(state, self.starts, beat_s, now.monotonic_s, self._booted_s)
        stops_s = (self.stops - self.starts).total_seconds()
        self.clock.set_pace(pace, until_s=min(stops_s, held_s))
        return pace

    def _watch(self, view: View | None, said: _Said) -> None:
        """Set the pace until the evening of the last day, and show what happens."""
        shown_s, waiting_since = 0.0, time.monotonic()
        while self.clock.now().wall < self.stops:
            if self.failure is not None or self.node_failure is not None:
                return
            self._keep_day()
            pace, state = self._set_pace(), self._state()
            if state is not None and state.node is not None:
                waiting_since = time.monotonic()
            elif time.monotonic() - waiting_since > START_S_MAX:
                raise FallingheadError("the practice garden did not start: the node was not heard in time")
            if view is not None and time.monotonic() - shown_s > SHOW_S:
                shown_s = time.monotonic()
                view(self._glimpse(pace, said))
            time.sleep(LOOK_S)
        self._keep_day()
        self._by_day.append(dict(self.garden.plant_l))  # the last day, up to its evening

    def _state(self) -> State | None:
        shell = self._daemon.shell if self._daemon is not None else None
        try:
            return shell.state if shell is not None else None
        except RuntimeError:  # not started yet
            return None

    # --- what is shown

    def _glimpse(self, pace: float, said: _Said) -> Glimpse:
        garden = self.garden
        now = self.clock.now().wall.astimezone(self.site.place.timezone)
        names = {z.id: z.name for z in self.site.zones}
        opened = next((names[z] for z in names if garden.position(z) > 0.0), None)
        return Glimpse(
            now=now,
            day_number=min(self.count, (now.date() - self.first_day).days + 1),
            days=self.count,
            level_m=garden.level_m,
            brim_m=garden.brim_m,
            volume_l=garden.volume_l,
            open_zone=opened,
            pace=pace,
            given_l=tuple((p.name, garden.plant_l[p.id]) for p in self.site.plants),
            said=tuple(said.lines),
            alerts=tuple(self.alerts),
        )

    def _keep_day(self) -> None:
        """At the first look after midnight: what each plant had got by then."""
        days_over = (self.clock.now().wall - self.starts) // timedelta(days=1)
        while len(self._by_day) < min(days_over, self.count):
            self._by_day.append(dict(self.garden.plant_l))

    def _practised(self, real_s: float) -> Practised:
        accounts = [open_account(p, self.site.zone_of(p.id).id) for p in self.site.plants]
        before = {p.id: 0.0 for p in self.site.plants}
        for weather, got in zip(self.weather, self._by_day, strict=True):
            et0 = reference_et(weather, self.site.place)
            assert et0 is not None  # season_weather checked it
            tomorrow = weather.day + timedelta(days=1)
            begins, ends = (local_midnight(d, self.site.place.timezone) for d in (weather.day, tomorrow))
            for account in accounts:
                plant = account.plant.id
                account.day(
                    weather,
                    et0,
                    tomorrow,
                    counts=True,
                    planned_l=0.0,
                    given_l=got[plant] - before[plant],
                    timer_l=0.0,
                    rain_before=self.garden.rain_before_watering(account.zone, begins, ends),
                )
            before = got
        return Practised(
            plants=tuple(
                PlantTally(a.plant.id, a.plant.name, a.wanted_l, self.garden.plant_l[a.plant.id])
                for a in accounts
            ),
            alerts=tuple(self.alerts),
            runs=len(self.garden.runs),
            level_m=self.garden.level_m,
            volume_l=self.garden.volume_l,
            imbalance_l=self.garden.imbalance_l,
            leak_l=self.garden.leak_l,
            caught_l=self.garden.caught_l,
            overflow_l=self.garden.overflow_l,
            real_s=real_s,
        )
