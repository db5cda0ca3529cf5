"""The valve node: the real core and its loop's own actions, on a simulated board in CPython."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from firmware_stub import codec
from firmware_stub.core import Inputs, Node
from firmware_stub.node_loop import KINDS, NodeLoop, core_settings
from tests.simulation.broker import NODE_FINDS_DEAD_MS, Broker, Connection
from tests.simulation.clockwork import SECOND, Clockwork, Planned
from tests.simulation.plumbing import Plumbing

LOOP_MS = 50  # the loop's pace: an input is seen within one step
PINGS_TAKE_MS = 400
WATCHDOG_MS = 8 * SECOND
BOOT_MS = (300, 3000)
MEMORY_BYTES_MAX = 4096


class SimBoard:
    """Pins, timer and flash of one life of the node. The timer's guard closes by itself (drivers.py)."""

    def __init__(self, world: SimNode, cause: str) -> None:
        self._world = world
        self.reset_cause = cause
        self.modulus = world.tick_modulus
        self.guards: dict[int, Planned] = {}
        self._pings: list[int] | None = None
        self._measuring = False
        self.alive = True

    def begin(self) -> None:
        for channel in range(len(self._world.plumbing.valves)):
            self._world.drive(channel, "close", "boot")

    def now_ms(self) -> int:
        return self._world.own_ms() % self.modulus

    def read(self) -> Inputs:
        pings, self._pings = self._pings, None
        switches: list[tuple[bool, bool] | None] = [v.switches() for v in self._world.plumbing.valves]
        return Inputs(switches, pings, self._world.supply_mv, self._world.plumbing.air_c)

    def motor(self, channel: int, drive: str) -> None:
        if drive == "open" and channel in self._world.locked:
            drive = "off"  # the timer took over; only a new guard frees it
        self._world.drive(channel, drive, "core")

    def guard(self, channel: int, ms: int | None) -> None:
        self._world.locked.discard(channel)
        held = self.guards.pop(channel, None)
        if held is not None:
            held.cancel()
        if ms is not None:
            in_ms = self._world.true_ms(ms)
            self.guards[channel] = self._world.clock.after(in_ms + 100, lambda: self._fire(channel))

    def _fire(self, channel: int) -> None:
        if self.alive:
            self.guards.pop(channel, None)
            self._world.locked.add(channel)
            self._world.drive(channel, "close", "guard")
            self._world.step_in(LOOP_MS)

    def end(self) -> None:
        self.alive = False
        for held in self.guards.values():
            held.cancel()

    def measure(self) -> None:
        if not self._measuring:
            self._measuring = True
            self._world.clock.after(PINGS_TAKE_MS, self._measured)

    def _measured(self) -> None:
        self._measuring = False
        if self.alive:
            self._pings = self._world.take_pings()
            if self._pings is not None:
                self._world.step_in(0)

    def save(self, memory: dict[str, Any]) -> None:
        if self._world.flash_fails:
            raise OSError("flash")
        raw = codec.dump(memory)
        self._world.memory_bytes = max(self._world.memory_bytes, len(raw))
        self._world.flash = raw

    def load(self) -> Any:
        import json

        return json.loads(self._world.flash.decode()) if self._world.flash is not None else None

    def network_ready(self) -> bool:
        return True

    def feed(self, progress: int) -> None:
        pass


class SimLoop(NodeLoop):  # type: ignore[misc]
    """The firmware's loop with its own carrying out of actions; the network is the simulation's."""

    def __init__(self, settings: dict[str, Any], board: SimBoard) -> None:
        self.board = board
        self.node = Node(core_settings(settings, board.modulus), board.load(), board.reset_cause)
        self._pending: bytes | None = None
        self.steps = 0
        self.save_failures = 0


class SimNode:
    """Power, resets, the radio and the time of the node. ``watch`` is told of every motor command."""

    def __init__(
        self,
        clock: Clockwork,
        plumbing: Plumbing,
        broker: Broker,
        settings: dict[str, Any],
        *,
        rate: float,
        tick_start: int,
    ) -> None:
        self.clock = clock
        self.plumbing = plumbing
        self._broker = broker
        self.settings = settings
        self.rate = rate
        self.tick_modulus = 1 << 30
        self._tick_start = tick_start
        self._boot_ms = 0
        self._rng: random.Random = clock.stream("node")
        self.flash: bytes | None = None
        self.flash_fails = False
        self.memory_bytes = 0
        self.pinged_ms = 0
        self.supply_mv: int | None = 12600
        self.supply_well_ms = -1
        self.locked: set[int] = set()
        self.loop: SimLoop | None = None
        self.board: SimBoard | None = None
        self.powered = False
        self.hung_until_ms = 0
        self._next: tuple[int, Planned] | None = None
        self._inbox: list[tuple[str, bytes, bool]] = []
        self._in_flight = False
        self._dirty_session = False
        self.session: str | None = None
        self.session_began_ms = 0
        self.boots = 0
        self.on_drive: list[Callable[[int, str, str, str], None]] = []
        self.on_frame: list[Callable[[str, bytes, bool], None]] = []
        self.on_boot: list[Callable[[], None]] = []
        self.on_session: list[Callable[[str], None]] = []
        self._root = f"fallinghead/{settings['node']}/"
        self.line = Connection(
            "node",
            broker,
            back_off_ms=(1 * SECOND, 60 * SECOND),
            finds_dead_ms=NODE_FINDS_DEAD_MS,
            on_up=self._up,
            on_down=self._down,
            on_message=self._message,
        )
        for kind in KINDS:
            broker.subscriptions[self._root + kind] = self.line

    # --- clock and power

    def own_ms(self) -> int:
        """Its tick counter, not wrapped: its crystal is off by ``rate``."""
        return self._tick_start + int((self.clock.now_ms - self._boot_ms) * self.rate)

    def true_ms(self, own_ms: int) -> int:
        return int(own_ms / self.rate) + 1

    def uptime_true_ms(self) -> int:
        return int((self.clock.now_ms - self._boot_ms) * self.rate)

    def power_on(self, cause: str = "power_on") -> None:
        self.powered = True
        self._boot_ms = self.clock.now_ms
        self.hung_until_ms = 0
        self.boots += 1
        self._inbox.clear()
        self.locked.clear()
        self.clock.note("node", f"boot {cause}")
        self.board = SimBoard(self, cause)
        self.board.begin()
        self.loop = SimLoop(self.settings, self.board)
        self.loop.start()
        for told in self.on_boot:
            told()
        self.line.start()
        self.step_in(LOOP_MS)

    def power_off(self) -> None:
        """Motors stop where they are, unless the valve has a spring of its own."""
        if not self.powered:
            return
        self._end_life()
        self.powered = False
        self.clock.note("node", "power off")
        for channel, valve in enumerate(self.plumbing.valves):
            self.plumbing.settle(self.clock.now_ms)
            valve.drive = "close" if self.settings["shuts_without_power"] else "off"
            for told in self.on_drive:
                told(channel, valve.drive, "on", "power")

    def reset(self, cause: str) -> None:
        """A restart by watchdog, software or a dip of the supply; the flash keeps what was saved."""
        if not self.powered:
            return
        self._end_life()
        self.plumbing.settle(self.clock.now_ms)
        for valve in self.plumbing.valves:
            valve.drive = "off"  # pins fall to rest while the chip starts
        life = self.boots
        self.clock.after(
            self._rng.randint(*BOOT_MS), lambda: self.power_on(cause) if self.boots == life else None
        )

    def _end_life(self) -> None:
        if self.board is not None:
            self.board.end()
        self.board = self.loop = None
        self.session = None
        self._in_flight = False
        self.line.stop()
        if self._next is not None:
            self._next[1].cancel()
            self._next = None

    def hang(self, for_ms: int) -> None:
        """The loop stands still; the timer goes on; the watchdog ends it."""
        self.hung_until_ms = self.clock.now_ms + for_ms
        if for_ms >= WATCHDOG_MS:
            life = self.boots
            self.clock.after(WATCHDOG_MS, lambda: self.reset("watchdog") if self.boots == life else None)
        else:
            self.step_in(for_ms)

    # --- motors

    def drive(self, channel: int, drive: str, why: str) -> None:
        self.plumbing.settle(self.clock.now_ms)
        valve = self.plumbing.valves[channel]
        before, valve.drive = valve.drive, drive
        if before != drive:
            self.clock.note("motor", f"{channel} {drive} {why}")
            for told in self.on_drive:
                told(channel, drive, before, why)

    def take_pings(self) -> list[int] | None:
        self.plumbing.settle(self.clock.now_ms)
        pings = self.plumbing.sensor.pings(self.plumbing.level_m, self.plumbing.air_c)
        if pings is not None:
            self.pinged_ms = self.clock.now_ms
        return pings

    # --- the loop

    def step_in(self, in_ms: int) -> None:
        at_ms = self.clock.now_ms + in_ms
        if self._next is not None:
            if self._next[0] <= at_ms:
                return
            self._next[1].cancel()
        self._next = (at_ms, self.clock.at(at_ms, self._step))

    def _step(self) -> None:
        self._next = None
        loop, board = self.loop, self.board
        if loop is None or board is None:
            return
        if self.clock.now_ms < self.hung_until_ms:
            self.step_in(self.hung_until_ms - self.clock.now_ms)
            return
        self.plumbing.settle(self.clock.now_ms)
        loop.node.may_publish = loop._pending is None and not self._in_flight
        loop._do(loop.node.tick(board.now_ms(), board.read()))
        self._network(loop, board)
        self.plumbing.settle(self.clock.now_ms)
        self._plan_next(loop)

    def _network(self, loop: SimLoop, board: SimBoard) -> None:
        inbox, self._inbox = self._inbox, []
        for kind, payload, retained in inbox:
            for told in self.on_frame:
                told(kind, payload, retained)
            loop._do(loop.node.handle(kind, payload, retained, board.now_ms()))
        if self._dirty_session and self.line.up:
            self._dirty_session = False
            loop._pending = None
            drawn = self._rng.randbytes(8)
            self.session = drawn.hex()
            self.session_began_ms = self.clock.now_ms
            for told_session in self.on_session:
                told_session(self.session)
            loop._do(loop.node.connected(board.now_ms(), drawn))
        if loop._pending is not None and self.line.up and not self._in_flight:
            self._in_flight = True
            frame, loop._pending = loop._pending, None
            self.clock.note("node", f"state {len(frame)} {frame[:8].decode()}")
            self.line.publish(self._root + "state", frame, self._acked)

    def _acked(self) -> None:
        self._in_flight = False
        loop = self.loop
        if loop is not None and (loop._pending is not None or loop.node._want is not None):
            self.step_in(LOOP_MS)  # something waits to be told

    def _plan_next(self, loop: SimLoop) -> None:
        node = loop.node
        wanted = node._want
        if self._in_flight:
            node._want = None  # a state that waits goes out when the one before is acknowledged
        due = self.true_ms(node.next_due_ms())
        node._want = wanted
        for valve in self.plumbing.valves:
            own = valve.arrives_in_ms()
            if own is not None:
                due = min(due, own)
        self.step_in(max(LOOP_MS, due))

    # --- the radio

    def _up(self) -> None:
        self._dirty_session = True
        self._in_flight = False
        self.step_in(LOOP_MS)

    def _down(self) -> None:
        self._in_flight = False
        self._dirty_session = False
        if self.loop is not None:
            self.session = None
            self.loop.node.disconnected()
            self.loop._pending = None

    def _message(self, topic: str, payload: bytes, retained: bool) -> None:
        if self.loop is None or not topic.startswith(self._root):
            return
        kind = topic[len(self._root) :]
        if kind in KINDS:
            self._inbox.append((kind, payload, retained))
            self.step_in(LOOP_MS)
