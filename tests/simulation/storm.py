"""Run a storm: faults on, then a quiet day with all of them over, then the account."""

from __future__ import annotations

import gc
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

from tests.simulation import faults
from tests.simulation.clockwork import DAY, HOUR, MINUTE
from tests.simulation.rules import Broken
from tests.simulation.script import Happening, Storm
from tests.simulation.sites import SEASON
from tests.simulation.world import World

# In the quiet, water is asked for after this share of it.
PROBE_SHARE = 0.7
PROBE_L = 4.0
# Barrels that hold less than this of their brim are filled before it, as they are when the quiet begins.
LOW_SHARE, FILLED_SHARE = 0.3, 0.7
TOPPED_UP_L = 120.0


@dataclass
class Outcome:
    """What a storm showed. ``pairs``: (phase of the controller, fault) that came together."""

    storm: Storm
    broken: list[Broken] = field(default_factory=list)
    crash: str | None = None
    trace_hash: str = ""
    happened: int = 0
    wet: int = 0  # faults injected while water could flow
    pairs: Counter[tuple[str, str]] = field(default_factory=Counter)
    openings: int = 0
    lives: int = 0
    died_at: Counter[str] = field(default_factory=Counter)
    checked: Counter[str] = field(default_factory=Counter)
    events: int = 0
    seconds: float = 0.0
    trace: list[str] | None = None

    @property
    def failed(self) -> bool:
        return bool(self.broken) or self.crash is not None

    @property
    def rules_broken(self) -> set[str]:
        return {b.rule for b in self.broken} | ({"no_crash"} if self.crash is not None else set())

    def summary(self) -> str:
        first = "; ".join(f"{b.at_ms} ms {b.rule}: {b.text}" for b in self.broken[:3])
        return f"seed {self.storm.seed} ({self.storm.settings.garden}): {first or self.crash}"


class Weaver:
    """Lets the happenings of a storm come when their time or their phase does."""

    def __init__(self, world: World, storm: Storm, outcome: Outcome) -> None:
        self.world, self.storm, self.outcome = world, storm, outcome
        self._waiting: dict[tuple[str, int], list[tuple[int, Happening]]] = {}
        self._times: Counter[str] = Counter()
        self._ends: dict[int, Callable[[], None]] = {}
        self.noisy = True
        for number, h in enumerate(storm.happenings):
            if h.when == "at":
                world.clock.at(h.delay_ms, lambda n=number, h=h: self._happen(n, h))
            else:
                self._waiting.setdefault((h.when, h.nth), []).append((number, h))
        world.on_phase.append(self._seen)
        world.on_open.append(lambda: self._seen("open"))

    def _seen(self, what: str) -> None:
        self._times[what] += 1
        for number, h in self._waiting.pop((what, self._times[what]), []):
            self.world.clock.after(h.delay_ms, lambda n=number, h=h: self._happen(n, h))

    def _happen(self, number: int, h: Happening) -> None:
        if not self.noisy:
            return
        world = self.world
        world.plumbing.settle(world.clock.now_ms)
        person = h.kind.startswith("person")
        self.outcome.happened += 1
        if world.plumbing.water_can_flow and not person:
            self.outcome.wet += 1
        self.outcome.pairs[world.phase if world.daemon.running else "down", h.kind] += 1
        world.clock.note("fault", f"{h.kind} {h.lasts_ms}")
        if not person:
            world.begin_trouble()
        # A stream of each happening's own: dropping one leaves the others as they were.
        rng = world.clock.stream(f"happening {h}")
        end = faults.apply(world, h, rng)
        if person:
            return
        if end is None:
            world.clock.after(MINUTE, world.end_trouble)
            return
        self._ends[number] = end
        world.clock.after(h.lasts_ms, lambda: self._end(number))

    def _end(self, number: int) -> None:
        end = self._ends.pop(number, None)
        if end is not None:
            self.world.clock.note("fault", f"over {number}")
            end()
            self.world.end_trouble()

    def be_quiet(self) -> None:
        """Every fault ends; people put things right."""
        self.noisy = False
        for number in list(self._ends):
            self._end(number)
        mend(self.world)


def mend(world: World) -> None:
    """Whatever a person would put right, and the network with it."""
    world.node.line.heal()
    world.daemon.line.heal()
    world.broker.denied.clear()
    world.broker.backlog = None
    world.broker.retained.clear()
    world.broker.come_up()
    world.plumbing.settle(world.clock.now_ms)
    for n, valve in enumerate(world.plumbing.valves):
        if valve.faulty:
            world.rules.note_faulty(n)
        valve.jammed, valve.slow, valve.leak_lph = False, 1.0, 0.0
        valve.open_switch = valve.closed_switch = None
    world.plumbing.hose_off = False
    world.plumbing.sensor.mend()
    world.node.supply_mv, world.node.flash_fails = 12600, False
    if not world.node.powered:
        world.node.power_on()
    world.node.step_in(50)
    world.skies.fault = None
    world.store.raw.execute("PRAGMA query_only=OFF")
    world.store.raw.execute("PRAGMA max_page_count=1073741823")
    world.daemon.boundaries.armed = world.daemon.kill_next_life = None
    if world.daemon.frozen:
        world.daemon.thaw()
    world.daemon.machine.boot += 1  # a boot that was still to come, with a wrong clock, is called off
    world.daemon.start()
    world.daemon.set_right()
    _fill(world, FILLED_SHARE)


def _fill(world: World, share: float) -> None:
    """Somebody fills the barrels to that share of their brim, where they hold less."""
    lacks_m = share * world.plumbing.brim_m - world.plumbing.level_m
    world.pour(max(0.0, lacks_m) * world.plumbing.area_m2 * 1000.0)


def _later_in_the_quiet(world: World, storm: Storm) -> None:
    """People go on: after a while somebody lets watering go on, measures the level and asks for water."""

    def people_return() -> None:
        world.ask("stop", None, None)
        world.ask("resume", None, None)
        world.ask("hold", None, 0.0)
        world.plumbing.settle(world.clock.now_ms)
        world.ask("measured", None, round(world.plumbing.level_m, 3))

    def probe() -> None:
        world.probe_from_ms = world.clock.now_ms
        world.plumbing.settle(world.clock.now_ms)
        if world.plumbing.level_m < LOW_SHARE * world.plumbing.brim_m:  # what was due has been watered
            _fill(world, FILLED_SHARE)
            world.ask("measured", None, round(world.plumbing.level_m, 3))
        loop = world.node.loop
        if loop is not None and loop.node._cap_left(0) <= 0:
            world.probe_ran = True  # the node has given its day's share; it must refuse
        world.ask("water", world.site.zones[0].id, PROBE_L)

    world.clock.after(HOUR, people_return)
    world.clock.after(round(PROBE_SHARE * storm.quiet_ms), probe)


def _top_up(world: World, storm: Storm) -> None:
    """Through a season somebody fills the barrels every few days, and tells."""

    def fill() -> None:
        world.pour(TOPPED_UP_L)
        world.ask("topped_up", None, TOPPED_UP_L)

    for day in range(3, storm.settings.days, 4):
        world.clock.at(day * DAY + 7 * HOUR, fill)


def _measure_by_hand(world: World, storm: Storm) -> None:
    """Without a sensor somebody measures now and then, or nothing is ever watered."""

    def measure() -> None:
        world.plumbing.settle(world.clock.now_ms)
        world.ask("measured", None, round(world.plumbing.level_m, 3))

    for n in range(storm.settings.days * 3):
        world.clock.at(5 * MINUTE + n * 8 * HOUR, measure)


@lru_cache(maxsize=1)
def _collect_seldom() -> None:
    """What is loaded stays, and a storm leaves few rings behind: to look for those every 700 objects took a
    tenth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


def run_storm(
    storm: Storm, *, keep_trace: bool = False, look: Callable[[World], None] = lambda _: None
) -> Outcome:
    """``look`` is shown the world once all is over."""
    _collect_seldom()
    outcome = Outcome(storm)
    began = time.process_time()
    world = World(storm.seed, storm.settings, keep_trace=keep_trace)
    with world.modules:
        try:
            weaver = Weaver(world, storm, outcome)
            for day in range(storm.settings.days):
                world.clock.at(day * DAY + 10 * HOUR, world.rain_of_the_day)
            world.start()
            if storm.settings.garden == SEASON:
                _top_up(world, storm)
            if world.site.sensor is None:
                _measure_by_hand(world, storm)
            world.clock.run_to(storm.noisy_ms)
            weaver.be_quiet()
            _later_in_the_quiet(world, storm)
            world.clock.run_to(storm.noisy_ms + storm.quiet_ms)
            world.rules.at_the_end()
            look(world)
        except Exception:
            outcome.crash = traceback.format_exc()
    outcome.broken = world.rules.broken
    outcome.trace_hash = world.clock.trace_hash
    outcome.openings = len(world.rules.openings)
    outcome.lives = world.daemon.lives
    outcome.died_at = Counter(world.daemon.boundaries.died_at)
    outcome.checked = Counter(world.rules.checked)
    outcome.events = world.clock.events
    outcome.seconds = time.process_time() - began
    outcome.trace = world.clock.lines
    return outcome
