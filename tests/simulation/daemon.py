"""The daemon in virtual time: the real shell, controller, link code and store; its process, machine and
clocks are the simulation's. A life ends at any named boundary between two effects."""

from __future__ import annotations

import logging
import os
import random
import sqlite3
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, cast

import scheduler.control.controller as controller_module
import scheduler.link.client as client_module
import scheduler.service.shell as shell_module
from scheduler.control.clock import Now
from scheduler.control.controller import WAKE_MAX_S
from scheduler.control.effects import Alert, SendOrder
from scheduler.control.events import Event, Tick
from scheduler.control.pulses import next_run
from scheduler.link.client import NodeLink
from scheduler.planning.garden import garden_model
from scheduler.planning.windows import local_midnight, spans_of_day
from scheduler.sensing.level import UNKNOWN_AGE
from scheduler.service.boundaries import Boundaries, Boundary
from scheduler.service.clock import WallTrust
from scheduler.service.keeping import SAVED_AT, SYNCED_BOOT
from scheduler.service.shell import RETRY_S, Shell
from scheduler.service.telling import tell_again
from scheduler.site.errors import StoreError
from scheduler.site.model import Site
from scheduler.store.engine import make_engine
from scheduler.store.store import Store, Telling
from tests.simulation.broker import DAEMON_FINDS_DEAD_MS, Broker, Connection
from tests.simulation.clockwork import MINUTE, SECOND, Clockwork, Planned
from tests.simulation.pace import COARSE, FINE
from tests.simulation.quick_store import QuickEngine

# The world begins then: a summer day of the garden, 04:00 local.
START = datetime(2012, 7, 20, 11, 0, tzinfo=UTC)
RESTART_MS = (2 * SECOND, 12 * SECOND)
LOOK_MS = 1 * SECOND
ASK_LOOK_S = 15.0
# A wake-up this soon is one of a busy phase. Once nothing was new for a while they come further apart, as do
# asks without an answer and writes to a store that fails (module ``pace``).
BUSY_WAKE_S = 5.0
# A garden in order is looked at when a window may begin or end (on the full hour), when a run is due and when
# its node is late: after more than a heartbeat.
CALM_MS = 10 * MINUTE
LATE_BEATS = 1.2


class Killed(BaseException):
    """The process died at a named boundary."""


class SimBoundaries(Boundaries):
    """Dies at the ``left``-th time that ``name`` is reached."""

    def __init__(self) -> None:
        super().__init__("")
        self.armed: str | None = None
        self.left = 0
        self.seen: dict[str, int] = {}
        self.died_at: dict[str, int] = {}

    def reached(self, name: Boundary) -> None:
        self.seen[name] = self.seen.get(name, 0) + 1
        if name == self.armed:
            self.left -= 1
            if self.left <= 0:
                self.armed = None
                self.died_at[name] = self.died_at.get(name, 0) + 1
                raise Killed(name)


class NoFile:
    """A path at which there is nothing."""

    def exists(self) -> bool:
        return False

    def read_text(self) -> str:
        raise FileNotFoundError


class SimClock:
    """The machine's clocks. ``wall_off`` is what somebody or a dead battery did to the wall clock."""

    def __init__(self, clock: Clockwork) -> None:
        self._clock = clock
        self.wall_off = timedelta(0)
        self.booted_ms = 0
        self.boot = 0
        self.synced = True
        self.trust: WallTrust | None = None
        self._last: tuple[int, timedelta, datetime] = (0, self.wall_off, START)
        self._now = Now(START, 0.0)

    def wall(self) -> datetime:
        at_ms, off, wall = self._last
        if at_ms != self._clock.now_ms or off is not self.wall_off:
            wall = START + timedelta(milliseconds=self._clock.now_ms) + self.wall_off
            self._last = (self._clock.now_ms, self.wall_off, wall)
        return wall

    def monotonic(self) -> float:
        return (self._clock.now_ms - self.booted_ms) / 1000.0 + 100.0

    def now(self) -> Now:
        wall, monotonic_s = self.wall(), self.monotonic()
        trust = self.trust(wall, monotonic_s) if self.trust is not None else "unknown"
        now = self._now
        if now.wall is not wall or now.monotonic_s != monotonic_s or now.trust != trust:
            self._now = now = Now(wall, monotonic_s, trust)
        return now

    def delay_s(self, virtual_s: float) -> float:
        return virtual_s

    def new_trust(self, store: Store) -> WallTrust:
        saved = store.mark(SAVED_AT)
        self.trust = WallTrust(
            last_saved=datetime.fromisoformat(saved) if saved else None,
            synced_boot=store.mark(SYNCED_BOOT),
            timesync_file=cast("Any", NoFile()),
            hardware_clock_file=cast("Any", NoFile()),
            kernel_synced=lambda: self.synced,
            boot=f"boot-{self.boot}",
        )
        return self.trust


class SimStore(Store):
    """The real store in memory. One connection alone cannot count others' commits: ``written`` tells them."""

    written = True

    def __init__(self, url: str, site_id: str, content: bytes | None = None) -> None:
        """``content``: that of a store whose tables are there, as another process made them."""
        if content is None:
            super().__init__(url, site_id)
        else:
            self.url, self.site_id, self._watch = url, site_id, None
            self._engine = make_engine(url)
        self._engine = cast("Any", QuickEngine(self._engine))

    def changed(self) -> bool:
        written, self.written = self.written, False
        return written

    def add_request(self, *asked: Any) -> int:
        self.written = True
        return super().add_request(*asked)

    @cached_property
    def raw(self) -> sqlite3.Connection:
        return cast("QuickEngine", self._engine).raw


# What a new store holds, where another process made it: to make the tables takes half a second at first.
NEW_STORE = "SIMULATION_NEW_STORE"


@lru_cache
def empty_store(site_id: str) -> tuple[SimStore, bytes]:
    """One store per garden and process, and what it holds when new."""
    known = os.environ.get(NEW_STORE)
    if known is not None:
        content = Path(known).read_bytes()
        return SimStore("sqlite://", site_id, content), content
    store = SimStore("sqlite://", site_id)
    return store, store.raw.serialize()


def fresh_store(site_id: str) -> SimStore:
    store, new = empty_store(site_id)
    restore(store, new)
    return store


def restore(store: SimStore, content: bytes) -> None:
    store.raw.execute("PRAGMA query_only=OFF")
    store.raw.deserialize(content)
    store.written = True
    store.raw.execute("PRAGMA foreign_keys=ON")
    store.raw.execute("PRAGMA max_page_count=1073741823")


class VirtualTime:
    """Stands in place of the module ``time`` in the link: its pauses run in virtual time."""

    clock: SimClock | None = None

    @staticmethod
    def monotonic() -> float:
        assert VirtualTime.clock is not None
        return VirtualTime.clock.monotonic()


class FakeClient:
    """What the link needs of an MQTT client: connected or not, subscribe, publish."""

    def __init__(self, line: Connection) -> None:
        self._line = line
        self._life = line.life

    def is_connected(self) -> bool:
        return self._line.up and self._line.life == self._life

    def subscribe(self, topics: list[tuple[str, int]]) -> None:
        pass  # the broker of the simulation knows who listens

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        if self.is_connected():
            self._line.publish(topic, payload)


class Granted:
    is_failure = False


class Message:
    def __init__(self, topic: str, payload: bytes, retain: bool) -> None:
        self.topic, self.payload, self.retain = topic, payload, retain


class SimLink(NodeLink):
    """The real link without its thread: the simulation calls what paho would call."""

    def come_up(self, line: Connection) -> None:
        client = cast("Any", FakeClient(line))
        self._client = client
        self._connected(client, None, {}, cast("Any", Granted()), None)

    def go_down(self) -> None:
        from scheduler.control.events import LinkChanged

        was_up, self._up, self._client = self._up, False, None
        if was_up:
            self._on_event(LinkChanged(connected=False))

    def hear(self, topic: str, payload: bytes, retained: bool) -> None:
        if self._client is not None:
            self._message(self._client, None, cast("Any", Message(topic, payload, retained)))

    on_ask: Callable[[], None] = staticmethod(lambda: None)

    def _ask(self, session: str | None = None) -> None:
        super()._ask(session)
        self.on_ask()

    @property
    def asking(self) -> bool:
        return self._fresh.asking

    def ask_again(self) -> None:
        """As the link's own thread does while no state has echoed the challenge."""
        waited_s = client_module.time.monotonic() - self._asked_at
        if self._up and self._fresh.asking and waited_s > client_module.ASK_AGAIN_S:
            self._ask()


class Capture(logging.Handler):
    """Errors and exceptions that the daemon logs, with their text."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.lines: list[str] = []
        self._format = logging.Formatter("%(message)s")

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(self._format.format(record))


@lru_cache
def _edges(site: Site, day: date) -> tuple[datetime, ...]:
    """Where windows begin or end on that day and the next, and the midnight between."""
    days = (day, day + timedelta(days=1))
    spans = [span for d in days for span in spans_of_day(site, d)]
    return (*(e for s in spans for e in (s.start, s.end)), local_midnight(days[1], site.place.timezone))


# Pure of the site alone, so worked out once per garden in a process.
_cached_model = lru_cache(maxsize=32)(garden_model)


class VirtualModules:
    """While a world runs: virtual time in the link, cached garden models, errors of the log caught."""

    def __init__(self, clock: SimClock, on_differs: Callable[[str], None], *, coarse: bool = False) -> None:
        self._clock = clock
        self._on_differs = on_differs
        self._pace = COARSE if coarse else FINE
        self._steps = self._orders = 0
        self.errors = Capture()
        self._log = logging.getLogger("fallinghead")

    def __enter__(self) -> VirtualModules:
        self._before = (
            client_module.time,
            controller_module.garden_model,
            self._log.level,
            self._log.propagate,
        )
        VirtualTime.clock = self._clock
        client_module.time = VirtualTime  # type: ignore[assignment]
        controller_module.garden_model = _cached_model
        self._kept = self._pace.kept()
        self._kept.__enter__()
        self._step = shell_module.step
        shell_module.step = self._now_and_then_twice
        self._log.setLevel(logging.ERROR)
        self._log.propagate = False
        self._log.addHandler(self.errors)
        return self

    def _now_and_then_twice(self, state: Any, event: Event, now: Now) -> Any:
        """One step; of some it is seen whether the same inputs give the same effects again."""
        self._steps += 1
        made = self._step(state, event, now)
        orders = any(type(e) is SendOrder for e in made[1])
        self._orders += orders
        if self._steps % self._pace.twice_every == 0 or (
            orders and self._orders % self._pace.orders_twice == 0
        ):
            again = self._step(state, event, now)
            if again[1] != made[1]:
                self._on_differs(type(event).__name__)
        return made

    def __exit__(self, *failed: Any) -> None:
        self._kept.__exit__(*failed)
        shell_module.step = self._step
        client_module.time, controller_module.garden_model, level, propagate = self._before
        self._log.setLevel(level)
        self._log.propagate = propagate
        self._log.removeHandler(self.errors)


class Daemon:
    """The service's process and its machine, through many lives."""

    def __init__(
        self,
        clock: Clockwork,
        site: Site,
        key: bytes,
        broker: Broker,
        store: SimStore,
        weather: Any,
        *,
        coarse: bool = False,
    ) -> None:
        self.clock = clock
        self._pace = COARSE if coarse else FINE
        self.site = site
        self.store = store
        self.machine = SimClock(clock)
        self.boundaries = SimBoundaries()
        self.shell: Shell | None = None
        self.link: SimLink | None = None
        self._key = key
        self._weather = weather
        self._rng: random.Random = clock.stream("daemon")
        self.frozen = False
        self.thawed_ms = -1
        self.stirred_ms = 0  # when something new happened last
        self._held: deque[Callable[[], None]] = deque()
        self._wake: Planned | None = None
        self._watch: Planned | None = None
        self.lives = 0
        self.faults = 0
        self.alerts: list[tuple[int, Alert]] = []
        self.starts_failed: list[str] = []
        self.kill_next_life: str | None = None
        self._asks_look = False
        self.on_step: list[Callable[[], None]] = []
        self.on_event: list[Callable[[Event], None]] = []
        self.on_start: list[Callable[[], None]] = []
        self.on_publish: list[Callable[[str, bytes], None]] = []
        self.line = Connection(
            "daemon",
            broker,
            back_off_ms=(500, 30 * SECOND),
            finds_dead_ms=DAEMON_FINDS_DEAD_MS,
            on_up=lambda: self._do(self._link_up),
            on_down=lambda: self._do(self._link_down),
            on_message=lambda *m: self._do(lambda: self._hear(*m)),
        )
        broker.subscriptions[f"fallinghead/{site.node.id}/state"] = self.line
        broker.subscriptions[f"fallinghead/{site.id}/nudge"] = self.line
        broker.taps.append(self._tap)

    def _tap(self, line: Connection | None, topic: str, payload: bytes) -> None:
        pass

    @property
    def running(self) -> bool:
        return self.shell is not None

    # --- life

    def start(self) -> None:
        if self.shell is not None:
            return
        self.lives += 1
        self.stirred_ms = self.clock.now_ms
        self._held.clear()
        self.clock.note("daemon", f"start {self.lives}")
        try:
            trust = self.machine.new_trust(self.store)
        except StoreError as error:
            self._start_failed(error)
            return
        if self.kill_next_life is not None:
            self.boundaries.armed, self.boundaries.left = self.kill_next_life, 1
            self.kill_next_life = None
        link = SimLink(
            self.site,
            self._key,
            on_event=self._handle,
            on_nudge=self._nudged,
            now=self.machine.wall,
            draw=lambda: self._rng.randbytes(8).hex(),
        )
        shell = Shell(
            self.site,
            self.store,
            cast("Any", _Watched(link, self)),
            self._weather,
            self,
            self.machine,
            wake=self._wake_in,
            boundaries=self.boundaries,
            boot=trust.boot,
            saved=trust.saved,
        )
        self.shell, self.link = shell, link
        self._asks_look = False
        link.on_ask = self._asked
        try:
            tell_again(self.store, cast("Any", self), self.machine.wall())  # before it, as the service does
            shell.start()
        except Killed as killed:
            self.die(f"at {killed}")
            return
        except StoreError as error:
            self.shell = self.link = None
            self._start_failed(error)
            return
        for told in self.on_start:
            told()
        self._stepped()
        self.line.start()
        life = self.lives
        self.clock.after(self._pace.tend_ms, lambda: self._tend(life))

    def _start_failed(self, error: StoreError) -> None:
        self.starts_failed.append(str(error))
        self.clock.note("daemon", "start failed")
        self.clock.after(30 * SECOND, self.start)

    def die(self, why: str, *, restart: bool = True) -> None:
        """SIGKILL: what was in memory is gone. systemd starts it anew."""
        if self.shell is None:
            return
        self.clock.note("daemon", f"dies {why}")
        self.faults += self.shell.faults
        self.shell = self.link = None
        self.frozen = False
        self._held.clear()
        self.line.stop()
        for planned in (self._wake, self._watch):
            if planned is not None:
                planned.cancel()
        self._wake = self._watch = None
        if restart:
            self.clock.after(self._rng.randint(*RESTART_MS), self.start)

    def power_cut(self, off_ms: int, *, clock_back: timedelta, synced_after_ms: int | None) -> None:
        """The machine goes down; after ``off_ms`` it boots with a wall clock not yet set right."""
        self.die("power cut", restart=False)
        begun = self.machine.boot

        def boot() -> None:
            if self.machine.boot != begun:
                return
            self.machine.boot += 1
            self.machine.booted_ms = self.clock.now_ms
            self.machine.wall_off = -clock_back
            self.machine.synced = False
            self.clock.note("machine", "boots")
            self.start()
            if synced_after_ms is not None:
                booted = self.machine.boot
                self.clock.after(
                    synced_after_ms, lambda: self.set_right() if self.machine.boot == booted else None
                )

        self.clock.after(off_ms, boot)

    def set_right(self) -> None:
        """The time service found the time."""
        self.machine.wall_off, self.machine.synced = timedelta(0), True
        self.clock.note("machine", "clock set")
        self._jumped()

    def move_wall(self, by: timedelta) -> None:
        self.machine.wall_off += by
        self.clock.note("machine", f"clock moved {by.total_seconds():.0f}")
        self._jumped()

    def _jumped(self) -> None:
        """The loop sees it at its next look and plans anew."""
        self.clock.after(self._rng.randint(0, LOOK_MS), lambda: self._do(lambda: self._handle(Tick())))

    def freeze(self) -> None:
        if self.shell is not None:
            self.frozen = True

    def thaw(self) -> None:
        """SIGCONT: everything that waited comes at once."""
        self.thawed_ms = self.clock.now_ms
        self.frozen = False
        while self._held and not self.frozen:
            self._do(self._held.popleft())

    # --- everything enters here

    def _do(self, call: Callable[[], None]) -> None:
        if self.shell is None:
            return
        if self.frozen:
            self._held.append(call)
            return
        try:
            call()
        except Killed as killed:
            self.die(f"at {killed}")
            return
        self._stepped()

    def _stepped(self) -> None:
        for told in self.on_step:
            told()

    def _handle(self, event: Event) -> None:
        assert self.shell is not None
        for told in self.on_event:
            told(event)
        self.shell.handle(event)

    def feed(self, event: Event) -> None:
        """An event from a timer or the weather's thread."""
        self._do(lambda: self._handle(event))

    def _wake_in(self, in_s: float) -> None:
        """As asked; but when nothing changed for a while the many looks of a busy phase are thinned, as a
        rehearsal thins them: hours of an unheard node would be nothing else."""
        if self._wake is not None:
            self._wake.cancel()
        life, calm_ms = self.lives, self.clock.now_ms - self.stirred_ms
        if in_s <= BUSY_WAKE_S:
            in_s = self._thinned_s(in_s)
        elif in_s >= WAKE_MAX_S and calm_ms > CALM_MS:
            in_s = max(in_s, self._nothing_for_s())
        self._wake = self.clock.after(
            max(1, int(in_s * 1000)), lambda: self.feed(Tick()) if life == self.lives else None
        )

    def _thinned_s(self, in_s: float) -> float:
        """What is done again and again is done less often once nothing new has happened for a while."""
        calm_ms = self.clock.now_ms - self.stirred_ms
        runs = (
            self.shell is not None and self.shell._state is not None and self.shell.state.phase == "running"
        )
        thinned = self._pace.thinned_in_a_run if runs else self._pace.thinned
        return next((thin_s for after_ms, thin_s in thinned if calm_ms > after_ms), in_s)

    def _nothing_for_s(self) -> float:
        """For how long nothing is to come in a garden in order; in one that is not, as the pace says."""
        shell, now = self.shell, self.machine.now()
        if shell is None or shell._state is None:
            return 0.0
        state = shell.state
        in_order = state.phase == "at_rest" and now.trust == "synced" and state.belief.quality == "good"
        if not in_order or state.node is None or shell.store_fault is not None:
            return self._pace.out_of_order_s
        to_look_s = self._to_look_s(now.wall)
        late_s = LATE_BEATS * self.site.node.heartbeat_s - (now.monotonic_s - state.node.heard_mono_s)
        read_at = state.belief.at  # a level that grows too old is seen to
        to_unknown_s = (
            (read_at + UNKNOWN_AGE - now.wall).total_seconds() + 1.0 if read_at is not None else 0.0
        )
        run = next_run(state)
        to_run_s = (run.start - now.wall).total_seconds() if run is not None else to_look_s
        return min(to_look_s, late_s, to_run_s, to_unknown_s)

    def _to_look_s(self, wall: datetime) -> float:
        """To the next full hour; at a coarse pace to the next midnight, or begin or end of a window."""
        if self._pace.looks_each_hour:
            return 3600.0 - (wall.minute * 60 + wall.second) % 3600
        today = wall.astimezone(self.site.place.timezone).date()
        return min((e - wall).total_seconds() for e in _edges(self.site, today) if e > wall)

    def look(self) -> None:
        """A person wrote to the store; seen at the next look if no nudge comes before."""
        self.clock.after(self._rng.randint(1, LOOK_MS), lambda: self._do(self._look))

    def _look(self) -> None:
        assert self.shell is not None
        self.shell.look_for_requests()
        self.shell.tend()

    def _nudged(self) -> None:
        self._look()

    def _tend(self, life: int) -> None:
        if life != self.lives:
            return
        shell = self.shell
        if shell is not None and (self.store.written or shell.needs_tending):
            self._do(self._look)
        fails = self.shell is not None and self.shell.store_fault is not None
        in_ms = int(self._thinned_s(RETRY_S) * 1000) + 1 if fails else self._pace.tend_ms
        self.clock.after(in_ms, lambda: self._tend(life))

    def _asked(self) -> None:
        """Somebody looks after a while whether it was answered."""
        if not self._asks_look:
            self._asks_look, life = True, self.lives
            in_s = self._thinned_s(ASK_LOOK_S)
            self.clock.after(round(1000 * in_s), lambda: self._ask_look(life))

    def _ask_look(self, life: int) -> None:
        if life != self.lives or self.link is None:
            return
        self._asks_look = False
        if self.link.asking:
            self._do(self.link.ask_again)
            self._asked()

    # --- link and alerts

    def _link_up(self) -> None:
        self.stirred_ms = self.clock.now_ms
        assert self.link is not None
        self.link.come_up(self.line)

    def _link_down(self) -> None:
        self.stirred_ms = self.clock.now_ms
        assert self.link is not None
        self.link.go_down()

    def _hear(self, topic: str, payload: bytes, retained: bool) -> None:
        assert self.link is not None
        self.link.hear(topic, payload, retained)

    def deliver(self, alert: Alert) -> None:
        self.alerts.append((self.clock.now_ms, alert))
        self.clock.note("alert", f"{alert.kind} {alert.subject}")
        telling = Telling(alert.kind, alert.subject, alert.at, "Ada", "told", self.machine.wall())
        with suppress(StoreError):
            self.store.save_telling(telling)

    def over(self, kind: str, subject: str) -> None:
        """Who was told is not told again that it is over."""


class _Watched:
    """The link with somebody looking at each order before it goes out."""

    def __init__(self, link: SimLink, daemon: Daemon) -> None:
        self._link = link
        self._daemon = daemon

    def send(self, effect: Any) -> None:
        self._daemon.clock.note("send", f"{effect}")
        for told in self._daemon.on_publish:
            told("send", effect)
        self._link.send(effect)

    def publish_alert(self, alert: Alert, *, cleared: bool = False) -> None:
        self._link.publish_alert(alert, cleared=cleared)
