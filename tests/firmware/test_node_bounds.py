"""What the node says, keeps, counts and waits for: each figure at its edge, each field of a state.

Times are those of the node's settings or written out; a switch is made when a test says so.
"""

from __future__ import annotations

import itertools
import json
from typing import Any

import pytest

from firmware_stub import codec, frames
from firmware_stub.core import Inputs, Node, median
from firmware_stub.frames import shorten
from firmware_stub.memory import kept
from firmware_stub.settings import Settings

KEY = bytes(range(32))
SESSION = b"12345678".hex()
HOUR_MS = 3_600_000
SHUT, OPEN, BETWEEN = (False, True), (True, False), (False, False)


class Hand:
    """A node whose switches are set by hand: ``look`` lets time pass in one step."""

    def __init__(self, saved: Any = None, reset: str = "power_on", **settings: Any) -> None:
        self.node = Node(Settings("shed", KEY, **({"travel_ms_max": 8000} | settings)), saved, reset)
        self.now = 0
        self.switches = [SHUT] * self.node.settings.channels
        self.actions: list[tuple[Any, ...]] = list(self.node.boot(0))
        self.sequence = 0

    def ready(self) -> Hand:
        """Shut, proven, connected, its first states told."""
        self.look(1000)
        self.node.connected(self.now, b"12345678")
        for _ in range(20):
            self.look(500)
        self.actions.clear()
        return self

    def look(self, ms: int, **inputs: Any) -> list[tuple[Any, ...]]:
        self.now += ms
        done: list[tuple[Any, ...]] = self.node.tick(self.now, Inputs(list(self.switches), **inputs))
        self.actions += done
        return done

    def hear(self, kind: str, body: dict[str, Any], *, retained: bool = False) -> list[tuple[Any, ...]]:
        frame = codec.seal(kind, codec.dump({"version": 1, "node": "shed"} | body), KEY)
        done: list[tuple[Any, ...]] = self.node.handle(kind, frame, retained, self.now)
        self.actions += done
        return done

    def order(self, **changes: Any) -> list[tuple[Any, ...]]:
        self.sequence += 1
        return self.hear(
            "order",
            {
                "session": SESSION, "sequence": self.sequence, "order_id": f"o-{self.sequence}", "channel": 0,
                "open_ms": 60_000, "start_by_uptime_ms": 1 << 40, "low_raw": None, "low_side": None,
            } | changes,
        )  # fmt: skip

    def close(self, **changes: Any) -> list[tuple[Any, ...]]:
        return self.hear(
            "close", {"channel": None, "session": None, "after_sequence": 0, "nonce": "n"} | changes
        )

    def opened(self, **changes: Any) -> Hand:
        """With its valve open, and that told."""
        self.order(**changes)
        self.switches[changes.get("channel", 0)] = OPEN
        for _ in range(4):
            self.look(250)
        return self

    def shut_again(self) -> None:
        self.switches = [SHUT] * len(self.switches)
        for _ in range(60):
            self.look(500)

    def told(self) -> list[dict[str, Any]]:
        """The bodies of the states published since the last asking."""
        sent = [a[1] for a in self.actions if a[0] == "publish"]
        self.actions.clear()
        return [json.loads(codec.open_frame("state", f, KEY, codec.STATE_BYTES_MAX)) for f in sent]

    def told_after(self, ms: int, step: int = 50) -> list[int]:
        """The times, from now on, at which a state went out."""
        begun, at = self.now, []
        while self.now - begun < ms:
            if any(a[0] == "publish" for a in self.look(step)):
                at.append(self.now - begun)
        return at


# --- settings


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"node": "n" * 33}, "node: a short name"),
        ({"node": "a/b"}, "node: a short name"),
        ({"key": bytes(15)}, "key: 16 bytes at least"),
        ({"channels": 0}, "channels: 1 to 4"),
        ({"channels": 5}, "channels: 1 to 4"),
        ({"longest_open_ms": 0}, "longest_open_ms: up to a day"),
        ({"longest_open_ms": 24 * HOUR_MS + 1}, "longest_open_ms: up to a day"),
        ({"heartbeat_ms": 0}, "heartbeat_ms: shorter"),
        ({"heartbeat_ms": 1 << 28}, "heartbeat_ms: shorter"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_words(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=f"^{said}"):
        Settings(**({"node": "shed", "key": KEY} | changes))


def test_settings_at_their_edges_are_taken() -> None:
    s = Settings("n" * 32, bytes(16), channels=4, longest_open_ms=24 * HOUR_MS, heartbeat_ms=(1 << 28) - 1)
    assert (s.channels, s.longest_open_ms, s.heartbeat_ms) == (4, 24 * HOUR_MS, (1 << 28) - 1)
    assert Settings("n", KEY, channels=1, longest_open_ms=1, heartbeat_ms=1).longest_open_ms == 1


def test_what_a_fitter_leaves_out_is_as_the_guide_says() -> None:
    """firmware_stub/README.md: 20 s of travel, 2 h at the longest, 4 h a day, one valve at a time, 5 min."""
    s = Settings("shed", KEY)
    assert (s.channels, s.travel_ms_max, s.open_at_once_max) == (1, 20_000, 1)
    assert (s.longest_open_ms, s.daily_open_ms_max) == (2 * HOUR_MS, 4 * HOUR_MS)
    assert (s.heartbeat_ms, s.open_report_ms) == (300_000, 10_000)
    assert s.supply_low_mv is None and s.shuts_without_power is False and s.cuts_itself_off is True


# --- the start


def test_a_start_closes_saves_and_measures_in_this_order() -> None:
    h = Hand(channels=2)
    assert [a[0] for a in h.actions] == ["motor", "motor", "save", "measure"]
    assert [a[1:] for a in h.actions[:2]] == [(0, "close"), (1, "close")]


def test_before_anybody_listens_nothing_is_told_and_pings_are_still_taken() -> None:
    h = Hand()
    assert h.told_after(20_000) == []
    h.node.connected(h.now, b"12345678")
    h.look(50, pings=[7, 8, 9])
    (state,) = h.told()
    assert state["session"] == SESSION and state["reading"]["pings"] == [7, 8, 9]


# --- what a state tells


def test_a_state_tells_every_figure() -> None:
    h = Hand(reset="watchdog").ready()
    h.hear("ask", {"challenge": "c-1"})
    h.order(session="00")
    h.close()
    h.close()
    h.look(250, pings=[5, 6, 7], supply_mv=12_345, air_c=21.5, pulses={"rain": 3, "flow": 4})
    state = h.told()[-1]
    uptime_ms = state.pop("uptime_ms")
    number = state.pop("number")
    assert uptime_ms == h.now and number > 1
    assert state == {
        "version": 1, "node": "shed", "session": SESSION, "last_sequence": 0, "challenge": "c-1",
        "supply_mv": 12_345, "reset_cause": "watchdog", "refused_total": 1, "closes": 2, "closes_repeated": 1,
        "outcomes_dropped": 0,
        "valves": [{"channel": 0, "position": "closed", "order_id": None, "open_ms": 0}],
        "outcomes": [], "refusals": [{"why": "old_session", "order_id": "o-1"}],
        "reading": {"pings": [5, 6, 7], "age_ms": 0, "air_c": 21.5}, "pulses": {"rain": 3, "flow": 4},
    }  # fmt: skip


def test_the_last_sequence_and_an_open_valve_are_told() -> None:
    h = Hand().ready().opened(sequence=7)
    state = h.told()[-1]
    assert state["last_sequence"] == 7
    assert state["valves"] == [{"channel": 0, "position": "open", "order_id": "o-1", "open_ms": 250}]


def test_states_are_counted_from_one_in_each_session_and_its_challenge_is_forgotten() -> None:
    h = Hand().ready()
    h.hear("ask", {"challenge": "c-1"})
    h.look(250, pings=[1, 2, 3])
    assert h.told()[-1]["challenge"] == "c-1"
    h.order(sequence=9, session="00")
    h.node.disconnected()
    h.node.connected(h.now, b"abcdefgh")
    h.look(1000)
    (state,) = h.told()
    assert (state["number"], state["challenge"], state["last_sequence"]) == (1, None, 0)
    assert state["session"] == b"abcdefgh".hex()


def test_refusals_and_pings_are_told_once_and_outcomes_until_they_are_receipted() -> None:
    h = Hand().ready().opened(open_ms=1000)
    h.shut_again()
    h.order(session="00")
    h.look(300, pings=[1, 2, 3])
    first = h.told()[-1]
    assert first["refusals"] and first["reading"] and [o["order_id"] for o in first["outcomes"]] == ["o-1"]
    h.close()
    h.look(300)
    second = h.told()[-1]
    assert second["refusals"] == [] and second["reading"] is None and second["outcomes"] == first["outcomes"]
    saved = h.hear("receipt", {"order_ids": ["o-1", "o-9"]})
    assert [a[0] for a in saved] == ["save"] and saved[0][1]["outcomes"] == []
    assert h.hear("receipt", {"order_ids": ["o-1"]}) == []  # nothing left to forget: no wear


def test_three_outcomes_go_at_a_time_and_the_rest_soon_after_their_receipt() -> None:
    h = Hand().ready()
    for n in range(5):
        h.node.add_outcome(f"r-{n}", 0, 1, 1, "asked")
    h.close()
    h.look(300)
    assert [o["order_id"] for o in h.told()[-1]["outcomes"]] == ["r-0", "r-1", "r-2"]
    h.hear("receipt", {"order_ids": ["r-0", "r-1", "r-2"]})
    assert h.told_after(1000) == [200]
    assert [o["order_id"] for o in h.told()[-1]["outcomes"]] == ["r-3", "r-4"]
    h.hear("receipt", {"order_ids": ["r-3", "r-4"]})
    assert h.told_after(1000) == []


def test_eight_outcomes_are_kept_the_oldest_among_them_and_those_that_went_are_counted() -> None:
    h = Hand().ready()
    for n in range(10):
        h.node.add_outcome(f"r-{n}", 0, 1, 1, "asked")
    assert [o["order_id"] for o in h.node.outcomes] == [f"r-{n}" for n in (0, 1, 2, 3, 6, 7, 8, 9)]
    assert h.node.outcomes_dropped == 2 and kept(h.node)["dropped"] == 2


def test_the_last_four_refusals_are_told_and_all_are_counted() -> None:
    h = Hand().ready()
    for n in range(6):
        h.order(order_id=f"x-{n}", session="00")
    h.look(300)
    state = h.told()[-1]
    assert [r["order_id"] for r in state["refusals"]] == ["x-2", "x-3", "x-4", "x-5"]
    assert state["refused_total"] == 6


def test_a_state_too_long_gives_up_refusals_then_outcomes_then_the_reading() -> None:
    h = Hand(channels=4).ready()
    for n in range(3):
        h.node.add_outcome("x" * 39 + str(n), 0, 10**12, 10**12, "low_supply")
    for n in range(4):
        h.node._refuse("old_sequence", "y" * 39 + str(n))
    h.node._pings, h.node._pings_told = [1 << 24] * 9, False
    frame = h.node.state()
    state = json.loads(codec.open_frame("state", frame, KEY, codec.STATE_BYTES_MAX))
    assert 1024 - 100 < len(frame) <= 1024  # no more than needed was left out
    assert state["refusals"] == [] and len(state["outcomes"]) < 3 and state["reading"] is not None
    assert state["outcomes"][0]["order_id"] == "x" * 39 + "0"


# --- when it tells


def test_a_state_comes_with_every_heartbeat_and_more_often_while_a_valve_is_open() -> None:
    h = Hand(heartbeat_ms=60_000, open_report_ms=5000).ready()
    quiet = h.told_after(200_000, step=100)
    # Pings are waited for three seconds, for they belong to the state.
    assert [b - a for a, b in itertools.pairwise(quiet)] == [63_000, 63_000]
    h.opened(open_ms=HOUR_MS)
    h.told_after(10_000)
    busy = h.told_after(40_000, step=100)
    assert {b - a for a, b in itertools.pairwise(busy)} == {8000}


def test_pings_that_come_send_the_state_at_once() -> None:
    h = Hand(heartbeat_ms=60_000).ready()
    while not any(a[0] == "measure" for a in h.look(100)):
        pass
    h.told()
    h.look(100, pings=[1, 2, 3])
    assert h.told()[0]["reading"]["pings"] == [1, 2, 3]


@pytest.mark.parametrize(
    ("raw", "retained", "why"),
    [(b"x" * 100, False, "bad_mac"), (b"x", False, "malformed"), (b"x", True, "retained")],
)
def test_a_storm_of_bad_messages_is_answered_once_a_second_and_a_strange_order_at_once(
    raw: bytes, retained: bool, why: str
) -> None:
    h = Hand().ready()
    h.node.handle("order", raw, retained, h.now)
    h.node.handle("order", raw, retained, h.now)
    assert h.node._refusals == [[why, None]] * 2
    assert h.told_after(3000) == [1000]
    h.order(session="00")
    assert h.node.next_due_ms() == 0
    assert h.told_after(3000) == [50]


def test_a_new_session_an_order_a_close_and_the_end_of_a_run_are_told_at_once() -> None:
    h = Hand().ready()
    for change in (lambda: h.node.connected(h.now, b"12345678"), h.order, h.close):
        change()
        assert h.node.next_due_ms() == 0
        h.look(250)
        assert len(h.told()) == 1
    h.shut_again()
    h.close(nonce="of a shut valve")
    assert h.node.next_due_ms() == 0
    h.opened(open_ms=5000)
    h.told()
    assert any(a[0] == "publish" for a in h.look(4000))  # in the look that sees it end


def test_the_pings_of_a_start_are_told_when_they_come() -> None:
    h = Hand()
    h.node.connected(h.now, b"12345678")
    h.look(100)
    assert [s["reading"] for s in h.told()] == [None]
    h.look(300, pings=[1, 2, 3])
    assert [s["reading"]["pings"] for s in h.told()] == [[1, 2, 3]]


def test_while_a_state_waits_to_go_out_no_pings_are_asked_for_again() -> None:
    h = Hand(heartbeat_ms=60_000).ready()
    h.node.may_publish = False
    measured = [a for _ in range(1200) for a in h.look(500) if a == ("measure",)]
    assert len(measured) == 1


def test_a_run_that_low_water_ends_is_told_in_the_look_that_ends_it() -> None:
    h = Hand(open_report_ms=HOUR_MS).ready().opened(low_raw=100, low_side="above")
    h.told()
    h.look(300, pings=[101, 101, 101])
    assert [o["why"] for s in h.told() for o in s["outcomes"]] == ["low_level"]


def test_pings_are_waited_for_three_seconds() -> None:
    h = Hand().ready()
    h.hear("ask", {"challenge": "c-1"})
    assert h.node.next_due_ms() == 3000
    h.look(400)
    assert h.node.next_due_ms() == 2600
    h.look(2599)
    assert h.told() == []
    h.look(1)
    assert [s["challenge"] for s in h.told()] == ["c-1"]


def test_a_valve_that_changes_by_itself_is_told_in_the_look_that_sees_it() -> None:
    h = Hand(open_report_ms=HOUR_MS, heartbeat_ms=HOUR_MS).ready()
    h.order()
    h.look(500)
    h.told()
    h.switches[0] = OPEN
    assert any(a[0] == "publish" for a in h.look(500))
    assert h.told()[-1]["valves"][0]["position"] == "open"


def test_with_the_link_lost_nothing_is_told_though_its_time_comes() -> None:
    h = Hand(heartbeat_ms=60_000).ready()
    h.node.disconnected()
    assert h.told_after(200_000, step=500) == []
    h.node.connected(h.now, b"abcdefgh")
    h.look(500)
    assert [s["number"] for s in h.told()] == [1]


def test_two_changes_within_a_fifth_of_a_second_share_a_state() -> None:
    h = Hand().ready()
    h.close(nonce="a")
    assert h.told_after(50, step=10)[0] == 10
    h.close(nonce="b")
    h.look(10)
    assert h.node.next_due_ms() == 150
    assert h.told_after(1000, step=10) == [150]


def test_while_a_state_cannot_go_out_it_waits_and_says_the_newest() -> None:
    h = Hand().ready()
    h.node.may_publish = False
    h.close(nonce="a")
    assert h.told_after(2000) == []
    h.node.may_publish = True
    assert h.told_after(1000) == [50] and h.told()[-1]["closes"] == 1


@pytest.mark.parametrize("step", [1, 7, 100])
def test_what_falls_due_is_named_in_time(step: int) -> None:
    """Looked at only when ``next_due_ms`` says so, a state comes as punctually as when looked at always."""
    h = Hand(heartbeat_ms=60_000).ready()
    h.look(step)
    at = []
    begun = h.now
    while h.now - begun < 200_000:
        due = h.node.next_due_ms()
        assert 0 <= due <= 60_000
        if any(a[0] == "publish" for a in h.look(max(1, due))):
            at.append(h.now)
    assert [b - a for a, b in itertools.pairwise(at)] == [63_000] * (len(at) - 1) and len(at) == 3


def test_the_next_heartbeat_falls_due_by_what_has_passed_since_the_last() -> None:
    h = Hand(heartbeat_ms=60_000).ready()
    while not any(a[0] == "publish" for a in h.look(100)):
        pass
    h.look(20_000)
    assert h.node.next_due_ms() == 40_000


def test_a_dip_that_has_lasted_its_second_is_not_due_for_ever() -> None:
    h = Hand(supply_low_mv=11_000, heartbeat_ms=300_000).ready()
    h.look(100, supply_mv=10_999)
    h.look(1000, supply_mv=10_999)
    assert h.node.next_due_ms() > 1000


def test_looked_at_only_when_due_a_long_run_is_saved_each_minute() -> None:
    """A restart leaves no more than that minute of a run unknown, however seldom the node reports."""
    h = Hand(heartbeat_ms=3_600_000, open_report_ms=600_000).ready()
    h.opened(open_ms=400_000)
    saved = [h.now]
    while h.node.valves[0].run is not None:
        if any(a[0] == "save" for a in h.look(max(1, h.node.next_due_ms()))):
            saved.append(h.now)
    assert max(b - a for a, b in itertools.pairwise(saved)) <= 60_000 and len(saved) >= 7


def test_a_run_that_ends_at_a_level_looks_at_it_when_it_begins_and_each_minute() -> None:
    """Its order may go by a reading of hours ago: barrels that were emptied since are not drawn lower."""
    seldom = {"heartbeat_ms": 3_600_000, "open_report_ms": 600_000}
    h = Hand(**seldom).ready()
    assert ("measure",) in h.order(open_ms=400_000, low_raw=5800, low_side="above")
    looks = [h.now]
    h.switches[0] = OPEN
    while h.node.valves[0].run is not None:
        if ("measure",) in h.look(max(1, h.node.next_due_ms()), pings=[3000, 3010, 3020]):
            looks.append(h.now)
    assert max(b - a for a, b in itertools.pairwise(looks)) <= 60_000 and len(looks) >= 6
    h = Hand(**seldom).ready()
    h.order(open_ms=400_000, low_raw=5800, low_side="above")
    h.look(400, pings=[3000, 3010, 3020])
    h.switches[0] = OPEN
    h.look(8000)
    h.look(2000)
    assert all(state["reading"] is None for state in h.told())  # these pings were for the node alone
    empty = Hand(**seldom).ready()
    empty.order(open_ms=400_000, low_raw=5800, low_side="above")
    empty.look(400, pings=[6000, 6010, 6020])
    assert empty.node.outcomes[-1]["why"] == "low_level" and empty.node.outcomes[-1]["open_ms"] <= 400
    assert ("measure",) not in Hand(**seldom).ready().order(open_ms=400_000)


def test_the_end_of_a_run_and_of_a_dip_of_the_supply_fall_due() -> None:
    h = Hand(supply_low_mv=11_000, heartbeat_ms=300_000, open_report_ms=100_000).ready()
    h.opened(open_ms=50_000)
    h.look(1000, supply_mv=12_000)
    run = h.node.valves[0].run
    assert h.node.next_due_ms() == 50_000 - run.open_ms(h.node.uptime_ms)
    h.look(100, supply_mv=10_999)
    assert h.node.next_due_ms() == 1000
    h.look(400, supply_mv=10_999)
    assert h.node.next_due_ms() == 600
    h.look(599, supply_mv=10_999)
    assert h.node.valves[0].run is not None
    h.look(1, supply_mv=10_999)
    assert h.node.valves[0].run is None and h.node.outcomes[-1]["why"] == "low_supply"


def test_what_is_wished_falls_due_when_it_may_be_told_and_is_not_overdue_for_ever() -> None:
    h = Hand(heartbeat_ms=60_000).ready()
    h.node.handle("order", b"x" * 100, False, h.now)
    assert h.node.next_due_ms() == 1000
    h.look(400)
    assert h.node.next_due_ms() == 600
    h.node.may_publish = False
    h.look(700)
    assert h.node.next_due_ms() == 0


@pytest.mark.parametrize("letters", [32, 33, 38])
def test_a_log_too_long_gives_up_its_oldest_entries_and_no_more_than_it_must(letters: int) -> None:
    h = Hand()
    h.node.diary.entries = [(0, 10**9 + n, f"{n:02d}" + "w" * letters) for n in range(16)]
    frame = h.node.log_frame("c" * 32)
    told = json.loads(codec.open_frame("log", frame, KEY, 1024))["entries"]
    assert told == [list(e) for e in h.node.diary.entries[-len(told) :]]
    if len(told) < 16:
        longer = codec.dump(list(h.node.diary.entries[-len(told) - 1]))
        assert len(frame) <= 1024 < len(frame) + len(longer) + 1


@pytest.mark.parametrize(("over", "kept_refusals", "kept_entries"), [(0, [7, 8], [7, 8]), (1, [8], [8])])
def test_a_frame_of_1024_bytes_is_whole_and_one_byte_more_gives_up_the_oldest(
    over: int, kept_refusals: list[int], kept_entries: list[int]
) -> None:
    """64 digits and a blank before the body: 959 bytes are left for it."""

    def body(**told: Any) -> dict[str, Any]:
        return told | {"pad": "x" * (959 + over - len(codec.dump(told | {"pad": ""})))}

    state = body(refusals=[7, 8], outcomes=[1], reading=None)
    log = body(entries=[7, 8])
    assert len(codec.dump(state)) == len(codec.dump(log)) == 959 + over
    frames.state(state, KEY)
    frames.log(log, KEY)
    assert (state["refusals"], log["entries"]) == (kept_refusals, kept_entries)


def test_a_state_gives_up_in_its_order_and_then_says_that_it_cannot() -> None:
    reading = {"pings": [1, 2, 3], "age_ms": 0, "air_c": None}
    body: dict[str, Any] = {"refusals": [1, 2], "outcomes": [3, 4], "reading": reading}
    seen = []
    for _ in range(4):
        shorten(body)
        seen.append((body["refusals"], body["outcomes"], body["reading"] is None))
    assert seen == [([2], [3, 4], False), ([], [3, 4], False), ([], [3], False), ([], [3], True)]
    with pytest.raises(ValueError, match=r"^state too large$"):
        shorten(body)


# --- orders and closes


def test_an_order_saves_before_it_opens_and_arms_its_guard() -> None:
    h = Hand().ready()
    done = h.order(open_ms=61_000)
    assert [a[0] for a in done] == ["save", "motor", "guard"]
    assert done[1][1:] == (0, "open") and done[2][1:] == (0, 61_000)
    assert done[0][1]["runs"] == [[0, "o-1", 0, 61_000]] and done[0][1]["used"] == ["o-1"]
    ended = h.close()
    assert ("guard", 0, None) in ended and next(a for a in ended if a[0] == "save")[1]["runs"] == []


def test_the_guard_and_the_memory_know_what_was_granted_not_what_was_asked() -> None:
    h = Hand(longest_open_ms=20_000).ready()
    done = h.order(open_ms=61_000)
    assert done[0][1]["runs"] == [[0, "o-1", 0, 20_000]] and done[2] == ("guard", 0, 20_000)


def test_a_close_names_its_valve_and_one_that_does_not_exist_closes_all() -> None:
    for channel, left_open in ((0, [1]), (1, [0]), (None, []), (2, []), (255, [])):
        h = Hand(channels=2, open_at_once_max=2).ready().opened().opened(channel=1)
        h.close(channel=channel)
        assert [v.channel for v in h.node.valves if v.run] == left_open


def test_as_many_valves_as_the_settings_allow_stand_open_at_once() -> None:
    for most in (1, 2, 3):
        h = Hand(channels=4, open_at_once_max=most).ready()
        for channel in range(4):
            h.order(channel=channel)
        assert sum(v.run is not None for v in h.node.valves) == most
        assert [why for why, _id in h.node._refusals] == ["busy"] * (4 - most)


def test_a_valve_still_closing_counts_as_open_for_the_next_order() -> None:
    h = Hand(channels=2).ready().opened()
    h.switches[0] = BETWEEN
    h.close()
    h.order(channel=1)
    assert [why for why, _id in h.node._refusals] == ["busy"]
    h.shut_again()
    h.order(channel=1)
    assert h.node.valves[1].run is not None


def test_a_close_lifts_the_sequence_only_for_its_own_session_and_never_lowers_it() -> None:
    h = Hand().ready()
    for session, after, stands in ((SESSION, 5, 5), (SESSION, 3, 5), ("00", 9, 5), (None, 9, 5)):
        h.close(session=session, after_sequence=after, nonce=f"n{after}{session}")
        assert h.node.last_sequence == stands
    h.order(sequence=5)
    h.order(sequence=6)
    assert [why for why, _id in h.node._refusals] == ["old_sequence"] and h.node.valves[0].run is not None


def test_a_refused_order_of_the_session_has_spent_its_sequence() -> None:
    h = Hand().ready()
    h.order(sequence=4, channel=1)
    assert h.node.last_sequence == 4
    h.order(sequence=4)
    assert [why for why, _id in h.node._refusals] == ["no_such_valve", "old_sequence"]


def test_the_latest_start_is_still_in_time() -> None:
    h = Hand().ready()
    h.order(start_by_uptime_ms=h.node.uptime_ms - 1)
    assert h.node.valves[0].run is None
    h.order(start_by_uptime_ms=h.node.uptime_ms)
    assert h.node.valves[0].run is not None


@pytest.mark.parametrize("body", [{"version": 2}, {"nonce": 5}, {"after_sequence": -1}])
def test_an_authentic_close_that_cannot_be_read_closes_all_the_same(body: dict[str, Any]) -> None:
    h = Hand().ready().opened()
    h.close(**body)
    assert h.node.valves[0].run is None and h.node.closes == 1 and h.node.refused_total == 0


def test_a_close_of_a_stranger_or_for_another_node_closes_nothing_and_is_refused() -> None:
    h = Hand().ready().opened()
    body = codec.dump(
        {"version": 1, "node": "shed", "channel": None, "session": None, "after_sequence": 0, "nonce": "n"}
    )
    h.node.handle("close", codec.seal("close", body, bytes(32)), False, h.now)
    h.node.handle("close", b"junk", False, h.now)
    h.close(node="other")
    assert h.node.valves[0].run is not None and h.node.closes == 0
    assert [why for why, _id in h.node._refusals] == ["bad_mac", "malformed", "other_node"]


def test_nine_closes_back_a_repeat_is_no_longer_known() -> None:
    h = Hand().ready()
    for n in range(9):
        h.close(nonce=f"n{n}")
    h.close(nonce="n1")
    assert h.node.closes_repeated == 1
    h.close(nonce="n0")
    assert (h.node.closes, h.node.closes_repeated) == (11, 1)
    h.close(nonce="n0")
    assert (h.node.closes, h.node.closes_repeated) == (12, 2)


def test_a_run_that_was_closed_in_time_was_open_for_as_long_as_it_says() -> None:
    h = Hand().ready().opened(open_ms=600_000)
    h.look(9000)
    h.close()
    (told,) = h.node.outcomes
    assert (told["why"], told["open_ms"], told["open_ms_max"]) == ("asked", 10_000, 10_000)


def test_a_close_forgives_all_failed_openings() -> None:
    h = Hand(travel_ms_max=1000).ready()
    for n in range(2):
        h.order()
        for _ in range(100):  # it never lets go of its closed switch
            h.look(500)
        assert h.node.valves[0].failures == 1, n
        h.close(nonce=f"n{n}")
    assert not h.node.valves[0].locked()


def test_sixteen_orders_back_are_still_known_as_used() -> None:
    h = Hand(daily_open_ms_max=24 * HOUR_MS).ready()
    for _ in range(17):
        h.opened(open_ms=1000)
        h.shut_again()
    assert kept(h.node)["used"] == [f"o-{n}" for n in range(2, 18)]
    h.order(order_id="o-2")
    assert h.node._refusals[-1][0] == "used_order"


def test_a_message_of_no_known_kind_is_refused() -> None:
    h = Hand().ready()
    assert h.hear("banter", {}) == [] and h.node._refusals == [["malformed", None]]


@pytest.mark.parametrize("kind", ["order", "ask", "receipt"])
def test_what_a_broker_kept_is_refused_but_for_a_close(kind: str) -> None:
    h = Hand().ready()
    assert h.hear(kind, {"challenge": "c", "order_ids": []}, retained=True) == []
    assert h.node._refusals == [["retained", None]]
    h.opened()
    h.hear("close", {"channel": None, "session": None, "after_sequence": 0, "nonce": "n"}, retained=True)
    assert h.node.valves[0].run is None


def test_an_ask_brings_pings_or_the_log() -> None:
    h = Hand().ready()
    assert h.hear("ask", {"challenge": "c-1"}) == [("measure",)]
    assert h.hear("ask", {"challenge": "c-2", "log": False}) == []  # pings are under way
    ((what, frame),) = h.hear("ask", {"challenge": "c-3", "log": True})
    told = json.loads(codec.open_frame("log", frame, KEY, codec.STATE_BYTES_MAX))
    assert what == "tell_log" and told["entries"] == [[0, 0, "start: power_on"]]
    assert {k: told[k] for k in ("version", "node", "challenge", "refused_total")} == {
        "version": 1, "node": "shed", "challenge": "c-3", "refused_total": 0,
    }  # fmt: skip
    assert told["uptime_ms"] == h.now
    h.look(100, pings=[1, 2, 3])
    assert h.told()[-1]["challenge"] == "c-2"


# --- the day's share


def test_a_day_s_share_comes_back_after_24_hours_of_uptime_not_before() -> None:
    h = Hand(daily_open_ms_max=1000, heartbeat_ms=60_000).ready().opened(open_ms=1000)
    h.shut_again()
    h.look(24 * HOUR_MS - 1 - h.now)
    h.order()
    assert h.node._refusals[-1][0] == "daily_cap"
    h.look(1)
    h.order()
    assert h.node.valves[0].run is not None


def test_the_second_day_has_a_share_of_its_own_and_no_more_than_that() -> None:
    h = Hand(daily_open_ms_max=1000, heartbeat_ms=60_000).ready()
    h.look(25 * HOUR_MS - h.now)
    h.opened(open_ms=1000)
    h.shut_again()
    h.look(HOUR_MS)
    h.order()
    assert h.node._refusals[-1][0] == "daily_cap"
    h.look(23 * HOUR_MS)
    assert ("guard", 0, 1000) in h.order()  # all of it again
    assert h.node.valves[0].run is not None


def test_the_last_millisecond_of_a_day_s_share_is_given_too() -> None:
    h = Hand(daily_open_ms_max=1001).ready().opened(open_ms=1000)
    h.shut_again()
    assert ("guard", 0, 1) in h.order(open_ms=1000)


def test_the_shares_of_two_valves_are_counted_apart() -> None:
    h = Hand(channels=2, daily_open_ms_max=30_000).ready()
    h.opened(open_ms=20_000)
    for _ in range(40):
        h.look(500)
    h.shut_again()
    assert kept(h.node)["day_open_ms"] == [20_000, 0]
    assert ("guard", 0, 10_000) in h.order(open_ms=20_000)
    h.close()
    h.shut_again()
    assert ("guard", 1, 20_000) in h.order(channel=1, open_ms=20_000)


# --- the memory, while running


def test_while_open_it_is_saved_once_a_minute() -> None:
    h = Hand().ready().opened(open_ms=HOUR_MS)
    h.actions.clear()
    saved_at = [h.now for _ in range(1300) if any(a[0] == "save" for a in h.look(100))]
    assert saved_at[1] - saved_at[0] == 60_000 and len(saved_at) == 2
    ran = kept(h.node)["runs"][0]
    assert ran == [0, "o-1", h.node.valves[0].run.open_ms(h.node.uptime_ms), HOUR_MS]
    assert kept(h.node)["day_open_ms"] == [ran[2]]


def test_a_memory_that_takes_no_writes_ends_each_run_as_a_fault_and_saves_nothing() -> None:
    h = Hand(channels=2, open_at_once_max=2).ready().opened().opened(channel=1)
    h.now += 500
    done = h.node.save_failed(h.now)
    assert [a for a in done if a[0] == "save"] == []
    assert {a[1:] for a in done if a[0] == "motor"} == {(0, "close"), (1, "close")}
    assert [(o["why"], o["channel"]) for o in h.node.outcomes] == [("fault", 0), ("fault", 1)]
    assert h.node.outcomes[1]["open_ms"] == 1500 and h.node.uptime_ms == h.now


# --- time


def test_a_counter_that_stood_for_half_its_range_or_went_back_closes() -> None:
    for passed, closed in (((1 << 19) - 1, False), (1 << 19, True), ((1 << 20) - 1, True)):
        h = Hand(tick_modulus=1 << 20, heartbeat_ms=1000, longest_open_ms=24 * HOUR_MS).ready()
        h.opened(open_ms=2 * HOUR_MS)
        before = h.node.uptime_ms
        h.node.tick((h.now + passed) % (1 << 20), Inputs(list(h.switches)))
        assert (h.node.valves[0].run is None) == closed
        assert h.node.uptime_ms - before == (0 if closed else passed)
        if closed:  # for how long it was open nobody knows: up to what was granted
            assert h.node.outcomes[-1]["why"] == "fault"
            assert h.node.outcomes[-1]["open_ms_max"] == min(2 * HOUR_MS, 4 * HOUR_MS)


def test_a_clock_that_failed_is_saved_once_with_no_valve_shut_and_the_next_order_is_carried_out() -> None:
    h = Hand().ready()
    h.order(open_ms=60_000)
    h.now -= 200
    failed = h.look(0)
    assert [a[1]["shut"] for a in failed if a[0] == "save"] == [[False]]  # no start may take it for shut
    h.shut_again()
    h.opened(open_ms=60_000)
    h.look(50_000)
    assert h.node.valves[0].run is not None and len(h.node.outcomes) == 1


# --- the level and the supply


def test_pings_out_of_range_are_left_out_nine_are_kept_and_fewer_than_three_close_nothing() -> None:
    h = Hand().ready().opened(low_raw=100, low_side="above")
    h.told()
    h.look(300, pings=[200, 200])
    assert h.node.valves[0].run is not None
    h.look(300, pings=[-1, 1 << 25, True, 1.5, 200, 200])
    assert h.node.valves[0].run is not None and h.node._pings == [200, 200]
    h.look(300, pings=[0, 1 << 24, *range(1, 12)])
    assert h.node._pings == [0, 1 << 24, *range(1, 8)] and h.node.valves[0].run is not None
    h.look(300, pings=[100, 100, 101])
    assert h.node.valves[0].run is not None  # at the level is not yet below it
    h.look(300, pings=[100, 101, 101])
    assert h.node.valves[0].run is None and h.node.outcomes[-1]["why"] == "low_level"


def test_a_level_below_may_be_a_small_number_or_a_large_one() -> None:
    for side, wet, dry in (("above", 99, 101), ("below", 101, 99)):
        h = Hand().ready().opened(low_raw=100, low_side=side)
        h.look(300, pings=[wet] * 3)
        assert h.node.valves[0].run is not None
        h.look(300, pings=[dry] * 3)
        assert h.node.valves[0].run is None


def test_the_age_of_pings_is_told() -> None:
    h = Hand().ready()
    h.node.may_publish = False
    h.look(100, pings=[1, 2, 3], air_c=-3.0)
    h.look(700)
    h.node.may_publish = True
    h.close()
    h.look(250)
    assert h.told()[-1]["reading"] == {"pings": [1, 2, 3], "age_ms": 950, "air_c": -3.0}


def test_a_supply_that_cannot_be_read_or_has_no_limit_closes_nothing() -> None:
    for limit, supply_mv in ((None, 1), (11_000, None)):
        h = Hand(supply_low_mv=limit).ready().opened()
        for _ in range(40):
            h.look(100, supply_mv=supply_mv)
        assert h.node.valves[0].run is not None


def test_a_dip_that_recovers_begins_to_count_anew() -> None:
    h = Hand(supply_low_mv=11_000).ready().opened()
    for supply_mv, ms in ((10_999, 100), (10_999, 900), (11_000, 100), (10_999, 100), (10_999, 900)):
        h.look(ms, supply_mv=supply_mv)
    assert h.node.valves[0].run is not None
    h.look(100, supply_mv=10_999)
    assert h.node.valves[0].run is None


@pytest.mark.parametrize(
    ("values", "middle"), [([3, 1, 2], 2), ([4, 1, 3, 2], 2), ([1, 4, 3, 100], 3), ([5], 5)]
)
def test_the_median_is_the_middle_one_or_the_mean_of_two_rounded_down(values: list[int], middle: int) -> None:
    assert median(values) == middle
