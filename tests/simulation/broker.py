"""A broker and two connections to it, with what MQTT 3.1.1 does not promise: loss, repeats, late and
overtaking messages, silent halves, a broker that forgets, acknowledges what it forbids or keeps a backlog."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.simulation.clockwork import SECOND, Clockwork

OnMessage = Callable[[str, bytes, bool], None]

# A client finds a silent connection dead after this (keep-alive 15 s, answer within 5 s; Mosquitto measured:
# up to 2 x the keep-alive).
NODE_FINDS_DEAD_MS = (15 * SECOND, 20 * SECOND)
DAEMON_FINDS_DEAD_MS = (15 * SECOND, 30 * SECOND)


@dataclass
class Weathered:
    """How badly one side's messages fare now."""

    loss: float = 0.0
    twice: float = 0.0
    late_ms: int = 0
    overtake: bool = False
    parted: bool = False  # nothing passes and no connection can be made
    silent: bool = False  # half-open: what stands is believed, nothing passes


class Connection:
    """One client's line to the broker. Told ``on_up``, ``on_down`` and ``on_message``."""

    def __init__(
        self,
        name: str,
        broker: Broker,
        *,
        back_off_ms: tuple[int, int],
        finds_dead_ms: tuple[int, int],
        on_up: Callable[[], None],
        on_down: Callable[[], None],
        on_message: OnMessage,
    ) -> None:
        self.name = name
        self.up = False
        self.life = 0  # counts connections, so that what belongs to an older one is dropped
        self.state = Weathered()
        self._broker = broker
        self._clock = broker.clock
        self._rng: random.Random = broker.clock.stream(f"line {name}")
        self._back_off_ms = back_off_ms
        self._wait_ms = back_off_ms[0]
        self._finds_dead_ms = finds_dead_ms
        self._on_up, self._on_down, self._on_message = on_up, on_down, on_message
        self._wanted = False
        self._stalled: list[tuple[int, Callable[[], None]]] = []
        self._last_there_ms = 0
        self._last_here_ms = 0
        broker.lines.append(self)

    def start(self) -> None:
        """The client runs and wants to be connected."""
        self._wanted = True
        self._wait_ms = self._back_off_ms[0]
        self._dial_later()

    def stop(self) -> None:
        """The client is gone, without a farewell."""
        self._wanted = False
        self.up = False
        self.life += 1

    def cut(self) -> None:
        """The connection ends now, and both sides notice."""
        if not self.up:
            return
        self.up = False
        self.life += 1
        self._clock.note(self.name, "line down")
        self._on_down()
        self._dial_later()

    def go_silent(self) -> None:
        """Nothing passes any more; the client finds out after a while."""
        self.state.silent = True
        life = self.life
        self._clock.after(self._rng.randint(*self._finds_dead_ms), lambda: self._found_dead(life))

    def _found_dead(self, life: int) -> None:
        if life == self.life and self.up and (self.state.silent or self.state.parted):
            self.state.silent = False
            self.cut()

    def part(self) -> None:
        self.state.parted = True
        life = self.life
        self._clock.after(self._rng.randint(*self._finds_dead_ms), lambda: self._found_dead(life))

    def join(self) -> None:
        """The way is free again; where the connection still stands, TCP sends again what was stalled."""
        self.state.parted = False
        stalled, self._stalled = self._stalled, []
        for life, again in stalled:
            if life == self.life and self.up and not self.state.silent:
                again()

    def heal(self) -> None:
        self.state = Weathered()
        self.join()

    def _dial_later(self) -> None:
        life = self.life
        wait_ms = round(self._wait_ms * self._rng.uniform(0.5, 1.5))
        self._wait_ms = min(self._back_off_ms[1], self._wait_ms * 2)
        self._clock.after(wait_ms, lambda: self._dial(life))

    def _dial(self, life: int) -> None:
        if not self._wanted or life != self.life or self.up:
            return
        if not self._broker.up or self.state.parted or self.state.silent:
            self._dial_later()
            return
        self.up = True
        self.life += 1
        self._wait_ms = self._back_off_ms[0]
        self._clock.note(self.name, "line up")
        self._on_up()
        self._broker.subscribed(self)

    def publish(self, topic: str, payload: bytes, acked: Callable[[], None] | None = None) -> None:
        """Client to broker. ``acked``: the broker's acknowledgement arrived."""
        if not self.up or self.state.silent:
            return
        life = self.life
        if self.state.parted:
            self._stalled.append((life, lambda: self.publish(topic, payload, acked)))
            return
        arrive_ms, self._last_there_ms = self._arrival(self._last_there_ms)
        for at_ms in self._copies(arrive_ms):
            self._clock.at(at_ms, lambda: self._there(life, topic, payload))
        if acked is not None:
            self._clock.at(arrive_ms + self._rng.randint(2, 60), lambda: self._ack(life, acked))

    def _ack(self, life: int, acked: Callable[[], None]) -> None:
        if life == self.life and self.up and not self.state.silent:
            acked()

    def _there(self, life: int, topic: str, payload: bytes) -> None:
        if life == self.life and self.up and not self.state.silent:
            self._broker.received(self, topic, payload)

    def deliver(self, topic: str, payload: bytes, *, retained: bool = False) -> None:
        """Broker to client."""
        if not self.up or self.state.silent:
            return
        life = self.life
        if self.state.parted:
            self._stalled.append((life, lambda: self.deliver(topic, payload, retained=retained)))
            return
        arrive_ms, self._last_here_ms = self._arrival(self._last_here_ms)
        for at_ms in self._copies(arrive_ms):
            self._clock.at(at_ms, lambda: self._here(life, topic, payload, retained))

    def _here(self, life: int, topic: str, payload: bytes, retained: bool) -> None:
        if life == self.life and self.up and not self.state.silent:
            self._on_message(topic, payload, retained)

    def _arrival(self, last_ms: int) -> tuple[int, int]:
        """When this message arrives, and the last arrival of its direction: TCP keeps the order."""
        late_ms = self._rng.randint(0, self.state.late_ms) if self.state.late_ms else 0
        at_ms = self._clock.now_ms + self._rng.randint(2, 40) + late_ms
        if self.state.overtake:
            return at_ms, max(last_ms, at_ms)
        at_ms = max(at_ms, last_ms)
        return at_ms, at_ms

    def _copies(self, at_ms: int) -> list[int]:
        if self.state.loss and self._rng.random() < self.state.loss:
            return []
        if self.state.twice and self._rng.random() < self.state.twice:
            return [at_ms, at_ms + self._rng.randint(1, 5000)]
        return [at_ms]


class Broker:
    """Passes messages on. ``taps`` see every message that reaches it."""

    def __init__(self, clock: Clockwork) -> None:
        self.clock = clock
        self.up = True
        self.lines: list[Connection] = []
        self.subscriptions: dict[str, Connection] = {}  # topic -> line
        self.denied: set[str] = set()  # last parts of topics that it acknowledges and drops
        self.retained: dict[str, bytes] = {}
        self.backlog: dict[str, list[tuple[str, bytes]]] | None = None  # by client, when sessions are kept
        self.backlog_cap = 1000
        self.taps: list[Callable[[Connection | None, str, bytes], None]] = []

    def subscribed(self, line: Connection) -> None:
        """Once connected, its retained and waiting messages come."""
        for topic, owner in self.subscriptions.items():
            if owner is line and topic in self.retained:
                line.deliver(topic, self.retained[topic], retained=True)
        if self.backlog is not None:
            for topic, payload in self.backlog.pop(line.name, []):
                line.deliver(topic, payload)

    def received(self, line: Connection | None, topic: str, payload: bytes) -> None:
        if not self.up:
            return
        for tap in self.taps:
            tap(line, topic, payload)
        if topic.rsplit("/", 1)[-1] in self.denied:
            return
        owner = self.subscriptions.get(topic)
        if owner is None:
            return
        if owner.up:
            owner.deliver(topic, payload)
        elif self.backlog is not None:
            waiting = self.backlog.setdefault(owner.name, [])
            if len(waiting) < self.backlog_cap:  # Mosquitto keeps the old ones and drops the new (measured)
                waiting.append((topic, payload))

    def go_down(self, *, forget: bool) -> None:
        self.up = False
        if forget:
            self.retained.clear()
            if self.backlog is not None:
                self.backlog.clear()
        for line in self.lines:
            line.cut()

    def come_up(self) -> None:
        self.up = True
