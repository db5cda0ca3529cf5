"""The node's core against whatever order of messages, time, power and switches Hypothesis finds.

The water is a model of the test's own: two valves that travel as their motors are driven. Whoever watches it
knows of an order only what was signed and sent.
"""

from __future__ import annotations

from typing import Any

from hypothesis import settings as profile
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from firmware_stub import codec
from firmware_stub.core import Inputs, Node
from firmware_stub.memory import kept
from firmware_stub.settings import Settings

KEY = bytes(range(32))
STRANGE_KEY = bytes(range(1, 33))
TRAVEL_MS = 4000
LONGEST_MS = 60_000
DAY_CAP_MS = 150_000
STEP_MS = 250
# The short turn back that frees a jammed valve (firmware_stub/valve.py) is driven open without an order.
FREEING_MS = 1500
# A step late, the look of a step, and the seating beyond the switch.
SLACK_MS = 3 * STEP_MS


class WholeNode(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.settings = Settings(
            "shed",
            KEY,
            channels=2,
            travel_ms_max=8000,
            longest_open_ms=LONGEST_MS,
            daily_open_ms_max=DAY_CAP_MS,
            supply_low_mv=11_000,
        )
        self.true_ms = 0
        self.place = [0, 0]
        self.drive = ["off", "off"]
        self.memory: Any = None
        self.sessions = 0
        self.signed: dict[str, dict[str, Any]] = {}  # order id -> body, of all that were ever sent by us
        self.frames: list[bytes] = []
        self.opened: dict[str, int] = {}  # order id -> true time at which its motor was first driven open
        self.dead_until: dict[str, int] = {}
        self.supply_mv = 12_600
        self.jammed = False
        self._boot("power_on")

    # --- the world

    def _boot(self, cause: str) -> None:
        self.node = Node(self.settings, self.memory, cause)
        self.boot_ms = self.true_ms
        self.drive = ["off", "off"]
        self.now_sessions: list[str] = []
        self._do(self.node.boot(self._ticks()))
        assert all(d == "close" for d in self.drive)

    def _ticks(self) -> int:
        return self.true_ms % self.settings.tick_modulus

    def _do(self, actions: list[tuple[Any, ...]]) -> None:
        for action in actions:
            if action[0] == "motor":
                self._drive(action[1], action[2])
            elif action[0] == "save":
                self.memory = codec_round(action[1])

    def _drive(self, channel: int, drive: str) -> None:
        run = self.node.valves[channel].run
        if drive == "open" and run is not None and run.order_id not in self.opened:
            self.opened[run.order_id] = self.true_ms
            body = self.signed[run.order_id]  # a KeyError: it opened on what nobody of ours signed
            assert body["session"] == self.now_sessions[-1]
            assert self.true_ms - self.boot_ms <= body["start_by_uptime_ms"] + SLACK_MS
            assert body["channel"] == channel
        self.drive[channel] = drive

    def _pass(self, ms: int) -> None:
        for _ in range(ms // STEP_MS):
            self.true_ms += STEP_MS
            for channel, drive in enumerate(self.drive):
                way = 0 if self.jammed else {"open": STEP_MS, "close": -STEP_MS, "off": 0}[drive]
                self.place[channel] = min(TRAVEL_MS, max(0, self.place[channel] + way))
            switches = [(p >= TRAVEL_MS, p <= 0) for p in self.place]
            self._do(self.node.tick(self._ticks(), Inputs(switches, None, self.supply_mv)))
            self._look()

    def _look(self) -> None:
        for channel, drive in enumerate(self.drive):
            run = self.node.valves[channel].run
            if drive == "open" and run is None:
                valve = self.node.valves[channel]
                assert valve._phase == "free" and self.true_ms - self.boot_ms - valve._since <= FREEING_MS
            if run is not None:
                body = self.signed[run.order_id]
                most = min(body["open_ms"], LONGEST_MS)
                assert self.true_ms - self.opened[run.order_id] <= most + SLACK_MS

    # --- what happens

    @initialize()
    def connect(self) -> None:
        self.reconnect()

    @rule()
    def reconnect(self) -> None:
        self.sessions += 1
        self.node.disconnected()
        self._do(self.node.connected(self._ticks(), self.sessions.to_bytes(8, "big")))
        self.now_sessions.append(self.sessions.to_bytes(8, "big").hex())
        self.sequence = 0

    @rule(
        channel=st.integers(0, 2),
        open_ms=st.sampled_from((1000, 20_000, 90_000)),
        late=st.booleans(),
        old_session=st.booleans(),
        stranger=st.sampled_from((False, False, True)),
        retained=st.sampled_from((False, False, False, True)),
    )
    def order(
        self, channel: int, open_ms: int, late: bool, old_session: bool, stranger: bool, retained: bool
    ) -> None:
        self.sequence += 1
        uptime_ms = self.true_ms - self.boot_ms
        body = {
            "version": 1,
            "node": "shed",
            "session": self.now_sessions[0 if old_session else -1],
            "sequence": self.sequence,
            "order_id": f"o-{len(self.frames)}",
            "channel": channel,
            "open_ms": open_ms,
            "start_by_uptime_ms": max(0, uptime_ms - 5000) if late else uptime_ms + 5000,
            "low_raw": None,
            "low_side": None,
        }
        frame = codec.seal("order", codec.dump(body), STRANGE_KEY if stranger else KEY)
        if not stranger and not retained:
            self.signed[str(body["order_id"])] = body
        self.frames.append(frame)
        refused = self.node.refused_total
        self._do(self.node.handle("order", frame, retained, self._ticks()))
        if stranger or retained:
            assert self.node.refused_total == refused + 1

    @precondition(lambda self: self.frames)
    @rule(which=st.integers(0, 200))
    def play_back(self, which: int) -> None:
        before = set(self.opened)
        frame = self.frames[which % len(self.frames)]
        self._do(self.node.handle("order", frame, False, self._ticks()))
        assert set(self.opened) == before

    @precondition(lambda self: self.frames)
    @rule(which=st.integers(0, 200), at=st.integers(0, 400), bit=st.integers(0, 7))
    def garble(self, which: int, at: int, bit: int) -> None:
        frame = bytearray(self.frames[which % len(self.frames)])
        frame[at % len(frame)] ^= 1 << bit
        before = set(self.opened)
        self._do(self.node.handle("order", bytes(frame), False, self._ticks()))
        assert set(self.opened) == before

    @rule(mine=st.booleans())
    def close(self, mine: bool) -> None:
        body = {
            "version": 1, "node": "shed", "channel": None, "session": self.now_sessions[-1] if mine else None,
            "after_sequence": self.sequence if mine else 0, "nonce": f"n{self.true_ms}",
        }  # fmt: skip
        self._do(self.node.handle("close", codec.seal("close", codec.dump(body), KEY), False, self._ticks()))
        assert all(v.run is None for v in self.node.valves)

    @rule(ms=st.sampled_from((250, 2000, 15_000, 70_000)))
    def wait(self, ms: int) -> None:
        self._pass(ms)

    @rule(mv=st.sampled_from((12_600, 10_500)))
    def supply(self, mv: int) -> None:
        self.supply_mv = mv

    @rule(jammed=st.booleans())
    def jam(self, jammed: bool) -> None:
        self.jammed = jammed

    @rule(cause=st.sampled_from(("watchdog", "power_on")))
    def restart(self, cause: str) -> None:
        self._boot(cause)
        self.reconnect()

    # --- what always holds

    @invariant()
    def no_order_has_two_ends(self) -> None:
        ids = [o["order_id"] for o in self.node.outcomes]
        assert len(ids) == len(set(ids))

    @invariant()
    def one_valve_at_a_time(self) -> None:
        assert sum(v.run is not None for v in self.node.valves) <= 1

    @invariant()
    def its_memory_is_bounded(self) -> None:
        assert len(codec.dump(kept(self.node))) <= 4096

    def teardown(self) -> None:
        """Left alone with its power and a free valve, everything is shut in the end."""
        self.jammed, self.supply_mv = False, 12_600
        self._pass(LONGEST_MS + 4 * TRAVEL_MS)
        if all(v.position != "fault" for v in self.node.valves):
            assert self.place == [0, 0] and all(v.shut() for v in self.node.valves)


def codec_round(memory: Any) -> Any:
    """As the flash gives it back."""
    import json

    return json.loads(codec.dump(memory).decode())


TestWholeNode = WholeNode.TestCase
TestWholeNode.settings = profile(max_examples=25, stateful_step_count=20, deadline=None, derandomize=True)
