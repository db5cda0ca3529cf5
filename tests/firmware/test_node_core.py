"""The node's core: what it refuses, when it closes, what it remembers."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from firmware_stub import codec
from firmware_stub.core import DAY_MS, Inputs, Node
from firmware_stub.settings import Settings
from tests.support.hostile_orders import refused_all
from tests.support.micropython import run_micropython

KEY = bytes(range(32))
SESSION = "3132333435363738"
TRAVEL_MS = 5000
TRAVEL_LIMIT_MS = 8000
HOUR_MS = 3_600_000
BOOT_MS = 9000  # a node that remembers nothing drives closed for its whole travel limit


class Bench:
    """A node with one channel and a valve that travels as told and cuts its own motor off at its ends,
    stepped by 100 ms."""

    def __init__(
        self,
        saved: Any = None,
        reset: str = "power_on",
        start: int = 0,
        place: int = 0,
        stuck: tuple[bool, bool] | None = None,
        boot_ms: int = BOOT_MS,
        closes_at: float = 1.0,
        **settings: Any,
    ) -> None:
        self.settings = Settings("shed", KEY, **({"travel_ms_max": TRAVEL_LIMIT_MS} | settings))
        self.node = Node(self.settings, saved, reset)
        self.t, self.place, self.drive = start, place, "off"
        self.opened_ms = self.closing_ms = 0
        self.closes_at = closes_at  # share of the speed at which it opens
        self.jammed = False
        self.memory: Any = None
        self.stuck = stuck
        self.pings: list[int] | None = None
        self.supply: int | None = None
        self.states: list[bytes] = []
        self.do(self.node.boot(self.now))
        self.run(boot_ms)
        self.do(self.node.connected(self.now, b"12345678"))

    @property
    def now(self) -> int:
        return self.t % self.settings.tick_modulus

    def do(self, actions: list[tuple[Any, ...]]) -> None:
        for a in actions:
            if a[0] == "motor":
                self.drive = a[2]
            elif a[0] == "save":
                self.memory = a[1]
            elif a[0] == "publish":
                self.states.append(a[1])

    def switches(self) -> tuple[bool, bool]:
        return self.stuck or (self.place >= TRAVEL_MS, self.place <= 0)

    def run(self, ms: int, step: int = 100) -> None:
        for _ in range(ms // step):
            self.t += step
            back = round(step * self.closes_at)
            way = 0 if self.jammed else {"open": step, "close": -back, "off": 0}[self.drive]
            self.place = min(TRAVEL_MS, max(0, self.place + way))
            self.opened_ms += step if self.place > 0 else 0
            self.closing_ms += step if self.drive == "close" else 0
            self.do(self.node.tick(self.now, Inputs([self.switches()], self.pings, self.supply)))

    def order(self, retained: bool = False, key: bytes = KEY, **changes: Any) -> None:
        body = {
            "version": 1, "node": "shed", "session": SESSION, "sequence": 1, "order_id": "o-1", "channel": 0,
            "open_ms": 30_000, "start_by_uptime_ms": 1 << 40, "low_raw": None, "low_side": None,
        } | changes  # fmt: skip
        self.do(self.node.handle("order", codec.seal("order", codec.dump(body), key), retained, self.now))

    def close(self, **changes: Any) -> bytes:
        body = {
            "version": 1, "node": "shed", "channel": None, "session": None, "after_sequence": 0, "nonce": "n"
        } | changes  # fmt: skip
        frame = codec.seal("close", codec.dump(body), KEY)
        self.do(self.node.handle("close", frame, False, self.now))
        return frame

    @property
    def refusals(self) -> list[str]:
        return [why for why, _id in self.node._refusals]

    @property
    def position(self) -> str:
        return str(self.node.valves[0].position)


def test_boot_drives_closed_before_anything_else() -> None:
    node = Node(Settings("shed", KEY, channels=3))
    assert [a[:3] for a in node.boot(0)][:3] == [("motor", c, "close") for c in range(3)]


def test_an_order_opens_and_time_up_closes() -> None:
    b = Bench()
    b.order(open_ms=30_000)
    assert b.drive == "open"
    b.run(60_000)
    assert b.position == "closed" and b.drive == "off"
    assert [(o["why"], o["open_ms"]) for o in b.node.outcomes] == [("time_up", 30_000)]
    assert b.opened_ms <= 30_000 + TRAVEL_MS


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"version": 2}, "version"),
        ({"node": "other"}, "other_node"),
        ({"session": "ffffffffffffffff"}, "old_session"),
        ({"sequence": 0}, "malformed"),
        ({"open_ms": True}, "malformed"),
        ({"open_ms": 1.5e4}, "malformed"),
        ({"open_ms": DAY_MS + 1}, "malformed"),
        ({"low_raw": 5}, "malformed"),
        ({"order_id": "a b"}, "malformed"),
        ({"start_by_uptime_ms": 10}, "too_late"),
        ({"channel": 1}, "no_such_valve"),
        ({"retained": True}, "retained"),
        ({"key": bytes(32)}, "bad_mac"),
    ],
)
def test_what_is_not_exactly_right_is_refused_and_told(changes: dict[str, Any], why: str) -> None:
    b = Bench()
    b.order(**changes)
    assert b.refusals == [why] and b.drive == "off" and b.node.refused_total == 1
    b.run(2000)
    assert sum(f'"why":"{why}"'.encode() in s for s in b.states) == 1


def test_a_used_order_and_an_old_sequence_are_refused() -> None:
    b = Bench()
    b.order(open_ms=1000, sequence=5)
    b.run(20_000)
    b.order(open_ms=1000, sequence=6)
    b.order(open_ms=1000, sequence=5, order_id="o-2")
    assert b.refusals == ["used_order", "old_sequence"] and b.drive == "off"


def test_a_second_order_while_open_is_busy() -> None:
    b = Bench()
    b.order()
    b.order(sequence=2, order_id="o-2")
    assert b.refusals[-1] == "busy"


def test_a_close_is_obeyed_even_when_old_and_repeats_are_counted() -> None:
    b = Bench()
    frame = b.close()
    b.order()
    b.run(3000)
    b.do(b.node.handle("close", frame, True, b.now))
    assert b.drive == "close" and b.node.outcomes[-1]["why"] == "asked"
    assert (b.node.closes, b.node.closes_repeated) == (2, 1)


def test_a_close_of_another_version_still_closes() -> None:
    b = Bench()
    b.order()
    b.close(version=2)
    assert b.drive == "close"


def test_an_order_overtaken_by_its_close_opens_nothing() -> None:
    b = Bench()
    b.close(session=SESSION, after_sequence=3)
    b.order(sequence=3)
    assert b.refusals == ["old_sequence"] and b.drive == "off"


def test_the_longest_opening_and_the_daily_cap_clamp() -> None:
    b = Bench(longest_open_ms=20_000, daily_open_ms_max=30_000)
    for n in (1, 2, 3):
        b.order(sequence=n, order_id=f"o-{n}", open_ms=3_600_000)
        b.run(60_000)
    assert [o["open_ms"] for o in b.node.outcomes] == [20_000, 10_000]
    assert b.node.refused_total == 1


def test_low_water_and_low_supply_close() -> None:
    b = Bench(supply_low_mv=11_000)
    b.supply = 12_000
    b.order(low_raw=9000, low_side="above")
    b.pings = [8000, 9999, 8000]
    b.run(3000)
    assert b.drive != "close"
    b.pings = [9100, 9050, 100]
    b.run(200)
    assert b.node.outcomes[-1]["why"] == "low_level" and b.drive == "close"
    b.pings = None
    b.run(10_000)
    b.order(sequence=2, order_id="o-2")
    b.supply = 10_000
    b.run(800)
    assert b.node.valves[0].run is not None  # a dip is no failure
    b.run(500)
    assert b.node.outcomes[-1]["why"] == "low_supply"


def test_a_run_survives_reconnecting_but_its_session_does_not() -> None:
    b = Bench()
    b.order(open_ms=60_000)
    b.run(10_000)
    b.node.disconnected()
    b.run(10_000)
    b.do(b.node.connected(b.now, b"abcdefgh"))
    assert b.node.valves[0].run is not None
    b.order(sequence=9, order_id="o-2")
    assert b.refusals == ["old_session"]


def test_a_restart_in_mid_run_closes_and_says_what_it_knows() -> None:
    b = Bench()
    b.order(open_ms=600_000)
    b.run(130_000)
    after = Bench(saved=b.memory, reset="watchdog")
    (outcome,) = after.node.outcomes
    assert outcome["why"] == "restart" and outcome["open_ms"] <= 130_000 <= outcome["open_ms_max"]
    assert outcome["open_ms_max"] - outcome["open_ms"] <= 70_000
    after.order(sequence=1)
    assert after.refusals == ["used_order"]


@pytest.mark.parametrize(
    "saved", [None, [], {}, {"used": 5}, {"used": [1], "outcomes": [{}], "dropped": "x"}]
)
def test_a_damaged_memory_is_an_empty_one(saved: Any) -> None:
    b = Bench(saved=saved)
    assert b.position == "closed" and b.node.outcomes == []


def test_a_receipt_forgets_and_nothing_else_does() -> None:
    b = Bench()
    b.order(open_ms=1000)
    b.run(60_000)
    assert len(b.node.outcomes) == 1
    body = codec.dump({"version": 1, "node": "shed", "order_ids": ["o-1"]})
    b.do(b.node.handle("receipt", codec.seal("receipt", body, KEY), False, b.now))
    assert b.node.outcomes == [] and b.memory["outcomes"] == []


def test_the_tick_counter_may_wrap_in_mid_run() -> None:
    modulus = 1 << 30
    b = Bench(start=modulus - 10_000, tick_modulus=modulus)
    b.order(open_ms=30_000)
    b.run(60_000)
    assert [o["open_ms"] for o in b.node.outcomes] == [30_000] and b.position == "closed"


def test_a_clock_that_goes_back_closes() -> None:
    b = Bench()
    b.order(open_ms=60_000)
    b.run(10_000)
    b.t -= 5000
    b.run(200)
    assert b.drive == "close"
    assert b.node.outcomes[-1]["why"] == "fault" and b.node.outcomes[-1]["open_ms_max"] == 60_000


@pytest.mark.parametrize("stuck", [(False, True), (False, False), (True, True)])
def test_a_stuck_end_switch_ends_in_a_close_and_a_fault(stuck: tuple[bool, bool]) -> None:
    b = Bench()
    b.order(open_ms=600_000)
    b.stuck = stuck
    b.run(60_000)
    assert b.node.outcomes[-1]["why"] == "fault"
    assert b.place == 0 and b.drive == "off"  # driven shut for its whole travel, then the motor rests
    assert b.position == ("closed" if stuck == (False, True) else "fault")


@pytest.mark.parametrize("when_ms", [6000, 30_000, 31_000, 33_000])
def test_a_closed_switch_that_fails_in_mid_run_does_not_end_the_closing_early(when_ms: int) -> None:
    b = Bench()
    b.order(open_ms=30_000)
    for _ in range(600):
        b.run(100)
        if b.t - BOOT_MS >= when_ms:
            b.stuck = (b.place >= TRAVEL_MS, True)
    assert b.place == 0 and b.drive == "off"


STICKS = (False, True)  # the closed switch, made wherever the valve stands


@pytest.mark.parametrize("closes_at", [0.9, 0.7])
def test_a_motor_that_low_current_turns_slower_back_is_driven_shut_though_the_closed_switch_sticks(
    closes_at: float,
) -> None:
    """Its whole travel back then takes 5.6 s or 7.1 s, within the 8 s of its limit."""
    b = Bench(supply_low_mv=11_000)
    b.order(open_ms=30_000)
    b.run(10_000)
    b.closes_at, b.supply, b.stuck = closes_at, 10_500, STICKS
    b.run(60_000)
    assert b.place == 0 and b.drive == "off"


def test_a_motor_with_good_current_is_driven_closed_no_longer_than_it_was_driven_open() -> None:
    """A bare one stalls at its end, also where its settings do not say that it is bare."""
    b = Bench(supply_low_mv=11_000)
    b.supply = 12_000
    b.order(open_ms=20_000)
    b.run(20_000)
    before_ms = b.closing_ms
    b.run(20_000)
    assert b.position == "closed" and b.closing_ms - before_ms <= TRAVEL_MS + 500


@pytest.mark.parametrize("closes_at", [1.0, 0.8])
def test_a_valve_is_driven_on_behind_its_closed_switch_also_where_it_closes_slower_than_it_opens(
    closes_at: float,
) -> None:
    """Its switch makes a little before it is tight: at 0.8 of the speed after 6.25 s, within its limit."""
    b = Bench(closes_at=closes_at)
    b.order(open_ms=8_000)
    made_ms = driven_on_ms = 0
    for _ in range(200):
        b.run(100)
        made_ms = b.closing_ms if b.place > 0 else made_ms
        driven_on_ms = b.closing_ms - made_ms
    assert b.position == "closed" and 300 <= driven_on_ms <= 500


def test_a_closed_switch_that_bounces_under_way_does_not_end_the_closing() -> None:
    b = Bench(closes_at=0.7)  # closed after 7.1 s
    b.order(open_ms=8_000)
    b.run(8_000 + 6_000)
    b.stuck = STICKS
    b.run(200)
    b.stuck = None
    b.run(100)
    assert b.position == "closing" and b.drive == "close"
    b.run(1_500)
    assert (b.position, b.place) == ("closed", 0)


def interrupted() -> Bench:
    """Its power was lost while its valve closed: three fifths open still."""
    b = Bench()
    b.order(open_ms=20_000)
    b.run(22_000)
    assert b.place == 3000 and b.drive == "close"
    return b


@pytest.mark.parametrize("reset", ["power_on", "watchdog"])
@pytest.mark.parametrize("after_ms", [0, 100, 500, 2900])
def test_a_closed_switch_that_sticks_around_a_restart_in_mid_closing_leaves_nothing_open(
    after_ms: int, reset: str
) -> None:
    b = interrupted()
    first = STICKS if after_ms == 0 else None
    after = Bench(saved=b.memory, reset=reset, place=b.place, stuck=first, boot_ms=after_ms)
    assert after.drive == "close"
    after.stuck = STICKS
    after.run(60_000)
    assert after.place == 0 and after.drive == "off" and after.position == "closed"


def test_a_valve_known_to_be_shut_is_not_driven_for_its_whole_travel_at_a_start() -> None:
    b = Bench()
    assert b.closing_ms >= TRAVEL_LIMIT_MS  # the first start remembers nothing
    b.order(open_ms=20_000)
    assert b.memory["shut"] == [False]
    b.run(20_000)
    assert b.memory["shut"] == [False]
    b.run(20_000)
    assert b.memory["shut"] == [True]
    assert Bench(saved=b.memory).closing_ms <= 500
    for lost in ({"shut": [False]}, {"shut": [1]}, {"shut": None}, {"runs": 5}):
        assert Bench(saved=b.memory | lost).closing_ms >= TRAVEL_LIMIT_MS


def test_a_start_cut_short_does_not_forget_that_the_valve_is_shut() -> None:
    b = Bench(saved=Bench().memory, boot_ms=100)
    assert b.position == "closing" and b.memory["shut"] == [True]


def test_a_valve_that_is_not_where_it_was_left_is_driven_for_its_whole_travel() -> None:
    b = Bench(saved=Bench().memory, place=3000, boot_ms=200)  # turned by hand meanwhile
    assert b.memory["shut"] == [False]
    b.stuck = STICKS
    b.run(60_000)
    assert b.place == 0 and b.closing_ms >= TRAVEL_LIMIT_MS


def test_a_bare_motor_is_stopped_at_its_closed_switch_once_that_was_seen_to_change() -> None:
    b = interrupted()
    bare = Bench(saved=b.memory, place=b.place, cuts_itself_off=False)
    assert bare.place == 0 and bare.position == "closed" and bare.closing_ms <= b.place + 500
    # A switch that never let go proves nothing: then a bare motor too is driven for its whole travel.
    held = Bench(saved=b.memory, place=b.place, stuck=STICKS, cuts_itself_off=False)
    assert held.place == 0 and TRAVEL_LIMIT_MS <= held.closing_ms <= TRAVEL_LIMIT_MS + 500


@pytest.mark.parametrize("cuts_itself_off", [True, False])
def test_the_turn_that_frees_a_valve_is_driven_back_before_its_switch_is_believed(
    cuts_itself_off: bool,
) -> None:
    b = Bench(cuts_itself_off=cuts_itself_off)
    b.order(open_ms=500)
    b.run(500)
    b.stuck = (False, False)
    while b.drive != "open":  # it closes, does not see that it is shut, and frees itself
        b.run(100)
    while b.drive == "open":
        b.run(100)
    assert b.place > 1000
    b.stuck = STICKS
    b.run(60_000)
    assert b.place == 0 and b.position == "closed"


def _jammed_on_its_way_back() -> Bench:
    """It opened for its order, jams as it turns back, and rests in a fault."""
    b = Bench()
    b.order(open_ms=20_000)
    b.run(22_000)
    b.jammed = True
    b.run(30_000)
    return b


def test_a_switch_that_makes_while_the_motor_rests_in_a_fault_is_believed_only_after_a_drive() -> None:
    b = _jammed_on_its_way_back()
    assert b.position == "fault" and b.drive == "off" and b.place == 3000
    b.jammed, b.stuck = False, STICKS
    b.run(900)
    assert b.position == "fault"
    b.run(60_000)
    assert b.place == 0 and b.position == "closed" and b.drive == "off"


def test_a_switch_that_makes_and_lets_go_in_a_fault_costs_one_travel_and_the_motor_rests_again() -> None:
    b = _jammed_on_its_way_back()
    driven_ms = b.closing_ms
    b.stuck = STICKS
    b.run(1100)
    assert b.drive == "close"
    b.stuck = None
    b.run(60_000)
    assert b.position == "fault" and b.closing_ms - driven_ms <= TRAVEL_LIMIT_MS + 200


@pytest.mark.parametrize(("made_ms", "open_ms"), [(2000, 2000), (5000, 15_000), (1200, 200)])
def test_a_jammed_motor_is_not_driven_on_and_on_by_a_closed_switch_that_comes_and_goes(
    made_ms: int, open_ms: int
) -> None:
    """It rests five minutes between its tries, as the driver's words promise: a stalled motor grows hot."""
    b = _jammed_on_its_way_back()
    driven_ms = b.closing_ms
    for _ in range(HOUR_MS // 100):
        b.stuck = (False, b.t % (made_ms + open_ms) < made_ms)
        b.run(100)
    # One try is two travels at most; twelve rests in an hour, and the first try without one.
    assert b.closing_ms - driven_ms <= 13 * 2 * TRAVEL_LIMIT_MS


def test_a_start_after_the_clock_failed_just_as_a_valve_opened_does_not_take_it_for_shut() -> None:
    b = Bench()
    b.order(open_ms=60_000)
    b.place = 3000  # three seconds in which the loop stood and its counter went back
    b.t -= 200
    b.run(100)
    assert b.drive == "close" and b.memory["shut"] == [False]
    after = Bench(saved=b.memory, reset="watchdog", place=b.place, stuck=STICKS, boot_ms=60_000)
    assert after.place == 0


def test_time_that_the_clock_lost_while_it_opened_is_driven_back_too() -> None:
    b = Bench()
    b.order(open_ms=60_000)
    b.run(1000)
    b.place += 3000  # three seconds in which the loop stood and its counter went back
    b.t -= 200
    b.stuck = STICKS
    b.run(60_000)
    assert b.place == 0 and b.position == "closed"


def test_low_supply_refuses_an_order_until_it_has_recovered() -> None:
    b = Bench(supply_low_mv=11_000)
    b.supply = 10_900
    b.run(100)
    b.order()
    assert b.refusals == ["low_supply"] and b.drive == "off"
    b.supply = 11_000
    b.run(100)
    b.order(sequence=2, order_id="o-2")
    assert b.drive == "open"


def test_failed_openings_lock_until_a_close() -> None:
    b = Bench()
    for n in (1, 2):
        b.order(sequence=n, order_id=f"o-{n}", open_ms=600_000)
        b.stuck = (False, True)
        b.run(60_000)
    b.order(sequence=3, order_id="o-3")
    assert b.refusals[-1] == "fault"
    b.close()
    b.order(sequence=4, order_id="o-4")
    assert b.drive == "open"


def test_a_valve_that_will_not_shut_is_tried_a_few_times_only() -> None:
    b = Bench()
    b.order(open_ms=1000)
    b.run(900)
    b.stuck = (False, False)
    drives = []
    for _ in range(3600):
        b.run(1000, 500)
        drives.append(b.drive)
    assert b.position == "fault" and drives[-600:] == ["off"] * 600


def test_memory_that_takes_no_writes_closes() -> None:
    b = Bench()
    b.order()
    b.do(b.node.save_failed(b.now))
    assert b.drive == "close" and b.node.valves[0].run is None


def test_a_full_state_stays_within_its_bytes() -> None:
    b = Bench(channels=1, supply_low_mv=1)
    for n in range(8):
        b.node.add_outcome("x" * 39 + str(n), 0, 10**9, 10**9, "low_supply")
        b.node._refuse("old_sequence", "y" * 40)
    b.node._pings, b.node._pings_told = [1 << 24] * 9, False
    assert len(b.node.state()) <= codec.STATE_BYTES_MAX


@pytest.mark.parametrize("seed", range(30))
def test_no_walk_opens_longer_than_orders_allow(seed: int) -> None:
    print("seed", seed)
    dice = random.Random(seed)
    b = Bench(longest_open_ms=40_000, tick_modulus=1 << 20, heartbeat_ms=30_000)
    sequence, open_since = 0, None
    for _ in range(200):
        what = dice.random()
        if what < 0.3:
            sequence += 1
            b.order(
                sequence=sequence, order_id=f"o-{sequence}", open_ms=dice.randint(1, 90_000),
                session=b.node.session or SESSION,
            )  # fmt: skip
        elif what < 0.4:
            b.close(nonce=str(sequence))
        elif what < 0.5:
            b.node.disconnected()
        elif what < 0.6:
            b.do(b.node.connected(b.now, dice.randbytes(8)))
            sequence = 0
        elif what < 0.65:
            b.stuck = dice.choice([None, None, (False, False), (True, True)])
        for _ in range(dice.randint(1, 40)):
            b.run(500)
            if b.drive == "open" and b.node.valves[0].run:
                open_since = b.t if open_since is None else open_since
            run = b.node.valves[0].run
            if run is not None:
                assert run.open_ms(b.node.uptime_ms) < 40_000
    b.stuck = None
    b.close()
    b.run(60_000)
    assert b.place == 0 and b.drive == "off"


def test_of_a_hundred_thousand_hostile_orders_none_opens_on_micropython() -> None:
    count = 100_000
    done = run_micropython(Path(__file__).with_name("on_micropython_mutations.py"), str(count), "7")
    assert refused_all(done, count)


def test_the_core_works_in_112_kilobytes_of_heap() -> None:
    """On this 64-bit program, with the sources compiled on the way. What a board needs was not measured."""
    script = Path(__file__).with_name("on_micropython_mutations.py")
    done = run_micropython(script, "500", "1", options=("-X", "heapsize=112k"))
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("changes", [{"version": 2}, {"node": "other"}, {"session": "ffffffffffffffff"}])
def test_a_refusal_names_the_order_where_it_is_authentic(changes: dict[str, Any]) -> None:
    b = Bench()
    b.order(**changes)
    assert [order_id for _why, order_id in b.node._refusals] == ["o-1"]


@pytest.mark.parametrize("changes", [{"version": 2, "order_id": "a b"}, {"key": bytes(32)}])
def test_a_refusal_names_nothing_that_is_no_name_or_that_anybody_may_have_written(
    changes: dict[str, Any],
) -> None:
    b = Bench()
    b.order(**changes)
    assert [order_id for _why, order_id in b.node._refusals] == [None]


def test_a_frame_is_read_up_to_its_longest_and_refused_beyond_though_it_is_signed() -> None:
    longest = codec.ORDER_BYTES_MAX - codec.MAC_HEX - 1
    for body_bytes, refused in ((longest, False), (longest + 1, True), (2, False), (1, True), (0, True)):
        frame = codec.seal("order", b"x" * body_bytes, KEY)
        if not refused:
            assert len(codec.open_frame("order", frame, KEY)) == body_bytes
            continue
        with pytest.raises(codec.FrameError) as error:
            codec.open_frame("order", frame, KEY)
        assert error.value.why == "malformed"


def test_a_close_is_answered_with_a_state_though_everything_is_shut() -> None:
    b = Bench()
    b.run(20_000)
    before = len(b.states)
    b.close()
    b.run(2000)
    assert len(b.states) == before + 1
