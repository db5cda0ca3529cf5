"""All parts put together, and what the faults and the rules need to know of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from scheduler.site.errors import StoreError
from tests.simulation import sites
from tests.simulation.broker import Broker, Connection
from tests.simulation.clockwork import HOUR, MINUTE, Clockwork
from tests.simulation.daemon import START, Daemon, VirtualModules, fresh_store, restore
from tests.simulation.node import SimNode
from tests.simulation.plumbing import Plumbing
from tests.simulation.rules import Opening, Rules
from tests.simulation.skies import SimWeather

if TYPE_CHECKING:
    from tests.simulation.script import Settings

SNAPSHOT_MS = 6 * HOUR
RECORDED_MAX = 400
CALM_MS = 2 * MINUTE
SNAPSHOTS_KEPT = 12


class World:
    """One garden in virtual time. Use ``run`` in a ``with VirtualModules`` block."""

    def __init__(self, seed: int | str, settings: Settings, *, keep_trace: bool = False) -> None:
        self.clock = Clockwork(seed, keep_trace=keep_trace)
        self.settings = settings
        self.garden = settings.garden
        self.site = sites.site_named(settings.garden, coarse=settings.coarse)
        self.key = self.clock.stream("key").randbytes(32)
        self.plumbing = Plumbing(self.site, self.clock.stream("plumbing"), settings.start_share)
        self.broker = Broker(self.clock)
        self.broker.taps.append(self._record)
        self.node = SimNode(
            self.clock,
            self.plumbing,
            self.broker,
            self._node_settings(),
            rate=settings.node_rate,
            tick_start=settings.tick_start,
        )
        self.store = fresh_store(self.site.id)
        self.skies = SimWeather(self.clock, START.astimezone(sites.PLACE.timezone).date(), settings.days)
        self.daemon = Daemon(
            self.clock, self.site, self.key, self.broker, self.store, self.skies, coarse=settings.coarse
        )
        self.skies.daemon = self.daemon
        self.modules = VirtualModules(self.daemon.machine, self._differs, coarse=settings.coarse)
        # What the rules ask.
        self.authentic_closes: set[bytes] = set()
        self.recorded: list[tuple[str, bytes]] = []
        self.level_moved_ms = -1
        self.state_passed_ms = 0
        self.resumed_ms = -1
        self.asked: list[int] = []
        self.reading_ms = 0
        self.measured_ms = -1
        self.stopped_ms: int | None = None
        self.store_lost_ms = -1
        self.alarms_lost_ms = -1
        self.booted_ms = 0
        self.probe_ran = False
        self.probe_from_ms: int | None = None
        self._active = 0
        self._trouble_ms = -CALM_MS
        self._snapshots: list[tuple[int, bytes, int]] = []
        self.phase = "unheard"
        self.on_phase: list[Callable[[str], None]] = []
        self.on_open: list[Callable[[], None]] = []
        self.rules = Rules(self)
        self.node.on_boot.append(self._node_booted)
        self.daemon.on_step.append(self._see_phase)

    def _node_settings(self) -> dict[str, Any]:
        s = self.settings
        return {
            "node": self.site.node.id,
            "key": self.key.hex(),
            "channels": len(self.site.zones),
            "travel_ms_max": 12000,
            "longest_open_ms": round(self.site.node.longest_open_s * 1000),
            "daily_open_ms_max": s.daily_open_ms_max,
            "heartbeat_ms": round(self.site.node.heartbeat_s * 1000),
            "open_report_ms": s.open_report_ms,
            "supply_low_mv": 11000,
            "shuts_without_power": s.shuts_without_power,
        }

    # --- what is seen

    def _record(self, line: Connection | None, topic: str, payload: bytes) -> None:
        kind = topic.rsplit("/", 1)[-1]
        if kind == "state" and line is self.node.line:
            self.state_passed_ms = self.clock.now_ms
        if line is self.daemon.line and kind == "close":
            self.authentic_closes.add(payload)
        if line is not None and kind in ("order", "close", "state", "receipt", "ask"):
            self.recorded.append((topic, payload))
            del self.recorded[:-RECORDED_MAX]

    def _node_booted(self) -> None:
        self.booted_ms = self.clock.now_ms

    def _see_phase(self) -> None:
        shell = self.daemon.shell
        phase = shell.state.phase if shell is not None else "down"
        if phase != self.phase:
            self.phase = phase
            self.daemon.stirred_ms = self.clock.now_ms
            self.clock.note("phase", phase)
            for told in self.on_phase:
                told(phase)

    def opened(self, opening: Opening) -> None:
        if self.probe_from_ms is not None and opening.began_ms >= self.probe_from_ms:
            self.probe_ran = True
        for told in self.on_open:
            told()

    def _differs(self, event: str) -> None:
        self.rules.fail("replays", f"the same state, {event} and time gave other effects")

    def errors(self) -> list[str]:
        return self.modules.errors.lines

    # --- trouble

    def begin_trouble(self) -> None:
        self._active += 1
        self.daemon.stirred_ms = self.clock.now_ms
        self._trouble_ms = self.clock.now_ms

    def end_trouble(self) -> None:
        self._active -= 1
        self._trouble_ms = self.clock.now_ms

    def troubled_since(self, since_ms: int) -> bool:
        """Whether anything was wrong from a little before then until now."""
        down = not (self.daemon.running and self.node.powered and self.node.line.up and self.daemon.line.up)
        return down or self._active > 0 or self._trouble_ms >= since_ms - CALM_MS

    # --- people

    def ask(self, kind: Any, subject: str | None, amount: float | None, who: str = "Ada") -> None:
        """A person asks; kept in the store or told at once that it cannot be."""
        wall = self.daemon.machine.wall()
        try:
            number = self.store.add_request(kind, who, subject, amount, wall)
        except StoreError:
            self.clock.note("person", f"{kind} cannot be kept")
            return
        self.asked.append(number)
        self.daemon.stirred_ms = self.clock.now_ms
        self.clock.note("person", f"{kind} {subject} {amount}")
        if kind == "measured":
            self.measured_ms = self.clock.now_ms
        if kind == "stop":
            self.stopped_ms = self.clock.now_ms
            self.rules.stop_asked()
        if kind == "resume":
            self.resumed_ms = self.clock.now_ms
            self.stopped_ms = None
        self.broker.received(None, f"fallinghead/{self.site.id}/nudge", b"1")
        self.daemon.look()

    def pour(self, litres: float) -> None:
        self.plumbing.settle(self.clock.now_ms)
        self.plumbing.pour(litres)
        self.level_moved_ms = self.clock.now_ms

    # --- copies of the store

    def _snapshot(self) -> None:
        self._snapshots.append((self.clock.now_ms, self.store.raw.serialize(), len(self.asked)))
        del self._snapshots[:-SNAPSHOTS_KEPT]
        self.clock.after(SNAPSHOT_MS * (4 if self.settings.coarse else 1), self._snapshot)

    def roll_back(self, before_ms: int) -> None:
        """The store as it was then, at the latest; what was written since is gone with the card."""
        older = [s for s in self._snapshots if s[0] <= before_ms] or self._snapshots[:1]
        _, content, asked = older[-1]
        restore(self.store, content)
        del self.asked[asked:]
        self.stopped_ms = None
        self.store_lost_ms = self.alarms_lost_ms = self.clock.now_ms
        self.clock.note("store", "rolled back")

    # --- life

    def start(self) -> None:
        self._snapshot()
        self.node.power_on()
        self.daemon.start()

    def rain_of_the_day(self) -> None:
        roof = self.site.roof
        if roof is not None:
            day = (START + timedelta(milliseconds=self.clock.now_ms)).astimezone(sites.PLACE.timezone).date()
            rain_mm = max(0.0, self.skies.rain_mm(day) - roof.first_flush_mm)
            if rain_mm:
                self.pour(rain_mm * roof.catchment_m2 * roof.runoff_coefficient)
