"""One valve, by hand and to the millisecond: how it travels, frees itself, gives up, strays and rests.

The times are those that firmware_stub/valve.py names, written out here: 1 s standing still, 1.5 s turned
back, 0.3 s driven on, 1 s of bounce, 5 min between tries. The whole travel takes at most 8 s, as set below.
"""

from __future__ import annotations

import pytest

from firmware_stub.valve import Run, Valve

TRAVEL_MS = 8000
REST_MS = 300_000
SHUT, OPEN, BETWEEN, BOTH, UNREADABLE = (False, True), (True, False), (False, False), (True, True), None


class Hand:
    """A valve that was left shut; its switches say what a test says."""

    def __init__(self, *, cuts_itself_off: bool = True) -> None:
        self.valve = Valve(0, TRAVEL_MS, cuts_itself_off)
        self.now = 0
        self.valve.was_known_shut()
        assert self.close() == ["close"]
        self.shuts_after(300)

    def look(self, ms: int, switch: tuple[bool, bool] | None) -> list[str]:
        """What its motor is told after so long."""
        self.now += ms
        actions: list[tuple[str, int, str]] = []
        self.valve.step(self.now, switch, actions)
        assert all(a[:2] == ("motor", 0) for a in actions)
        return [a[2] for a in actions]

    def close(self) -> list[str]:
        actions: list[tuple[str, int, str]] = []
        self.valve.close(self.now, actions)
        return [a[2] for a in actions]

    def open(self) -> list[str]:
        actions: list[tuple[str, int, str]] = []
        self.valve.open(self.now, actions)
        return [a[2] for a in actions]

    def opened(self) -> Hand:
        """Open after 5 s of travel."""
        assert self.open() == ["open"] and self.valve.position == "opening"
        assert self.look(100, BETWEEN) == []
        assert self.look(4900, OPEN) == ["off"] and self.valve.position == "open"
        return self

    def shuts_after(self, ms: int) -> None:
        """With its closed switch made from now on it is believed to be shut after so long, not before."""
        assert self.look(0, SHUT) == [] and self.look(ms - 1, SHUT) == [] and not self.valve.shut()
        assert self.look(1, SHUT) == ["off"] and self.valve.shut()

    def jammed(self) -> Hand:
        """It was closed and did not arrive: in fault."""
        self.opened().close()
        for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS):
            self.look(ms, BETWEEN)
        assert self.valve.position == "fault"
        return self

    def due(self) -> int | None:
        """In how many ms it next wants to be looked at."""
        at = self.valve.due_at(self.now)
        return None if at is None else int(at) - self.now


# --- the water's level


@pytest.mark.parametrize(
    ("low", "side", "reached", "passed"), [(100, "above", 100, 101), (100, "below", 100, 99)]
)
def test_the_water_is_below_an_order_s_level_once_it_is_past_it(
    low: int, side: str, reached: int, passed: int
) -> None:
    run = Run("o", 0, 1000, low, side)
    assert run.passed(passed) is True and run.passed(reached) is False


def test_an_order_without_a_level_is_never_past_it() -> None:
    assert not any(Run("o", 0, 1000, None, None).passed(raw) for raw in (0, 1, 1 << 24))


# --- the start


def test_a_valve_that_was_never_driven_stands_nobody_knows_where() -> None:
    valve = Valve(2, TRAVEL_MS)
    assert valve.told(0) == {"channel": 2, "position": "unknown", "order_id": None, "open_ms": 0}
    assert valve.drive == "off" and not valve.moving() and not valve.shut() and not valve.known_shut()
    assert valve.due_at(0) is None and not valve.locked()


def test_a_valve_that_was_never_driven_is_closed_at_the_first_look_and_both_switches_are_a_fault() -> None:
    h = Hand()
    h.valve = Valve(0, TRAVEL_MS)
    assert h.look(1, UNREADABLE) == [] and h.look(1, BETWEEN) == ["close"]
    # Where its settings do not say that it is bare it cuts its own motor off: driven for its whole travel.
    h.shuts_after(TRAVEL_MS)
    h.valve = Valve(0, TRAVEL_MS)
    assert h.look(1, BOTH) == [] and h.look(1000, BOTH) == [] and h.valve.position == "fault"


# --- travelling


def test_a_close_of_a_valve_that_is_shut_or_closing_is_left_to_it() -> None:
    h = Hand()
    assert h.close() == [] and h.valve.shut()
    h.opened().close()
    h.look(4000, BETWEEN)
    assert h.close() == []
    assert h.look(TRAVEL_MS - 4001, BETWEEN) == [] and h.look(1, BETWEEN) == ["off"]


def test_a_valve_that_does_not_close_is_freed_once_and_then_is_at_fault_with_its_motor_at_rest() -> None:
    h = Hand().opened()
    assert h.close() == ["close"] and h.valve.position == "closing"
    assert h.look(TRAVEL_MS - 1, BETWEEN) == [] and h.look(1, BETWEEN) == ["off"]
    assert h.look(999, BETWEEN) == [] and h.look(1, BETWEEN) == ["open"]
    assert h.look(1499, BETWEEN) == [] and h.look(1, BETWEEN) == ["close"]
    assert h.look(TRAVEL_MS - 1, BETWEEN) == [] and h.look(1, BETWEEN) == ["off"]
    assert h.valve.position == "fault" and not h.valve.moving() and h.valve.failures == 0
    assert h.valve.locked()


def test_a_valve_that_does_not_open_is_freed_once_and_then_closed_and_has_failed_once() -> None:
    h = Hand()
    h.open()
    assert h.look(TRAVEL_MS, BETWEEN) == ["off"]
    assert h.look(1000, BETWEEN) == ["close"]
    assert h.look(1499, BETWEEN) == [] and h.look(1, BETWEEN) == ["open"]
    assert h.valve.gave_up is False
    assert h.look(TRAVEL_MS, BETWEEN) == ["close"]
    assert h.valve.gave_up is True and h.valve.failures == 1 and h.valve.position == "closing"
    # The way back has two tries of its own.
    assert [h.look(ms, BETWEEN) for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS)] == [
        ["off"], ["open"], ["close"], ["off"],
    ]  # fmt: skip
    assert h.valve.position == "fault"


def test_two_openings_that_failed_in_a_row_lock_it_and_one_that_arrives_begins_the_count_anew() -> None:
    h = Hand()
    h.valve.failures = 1
    assert not h.valve.locked()
    h.opened()
    assert h.valve.failures == 0
    h.valve.failures = 2
    assert h.valve.locked()


def test_its_closed_switch_is_believed_after_as_long_as_it_was_driven_open() -> None:
    h = Hand().opened()  # driven open for 5 s
    h.close()
    h.shuts_after(5300)
    h.open()
    h.look(2000, BETWEEN)
    h.close()  # in mid-opening
    h.shuts_after(2300)


def test_one_that_never_let_go_of_its_closed_switch_is_driven_twice_as_long() -> None:
    h = Hand()
    h.open()
    h.look(2000, SHUT)
    h.close()
    h.shuts_after(4300)


def test_the_turn_that_freed_it_is_driven_back_too() -> None:
    h = Hand().opened()
    h.close()
    for ms in (TRAVEL_MS, 1000, 1500):
        h.look(ms, BETWEEN)
    # 0.3 s, 5 s and 1.5 s.
    h.shuts_after(6800)


def test_a_switch_that_makes_late_is_driven_on_behind_for_three_tenths_and_one_that_bounces_anew() -> None:
    h = Hand().opened()
    h.close()
    h.look(6000, BETWEEN)
    assert h.look(0, SHUT) == [] and h.due() == 300
    h.look(299, SHUT)
    assert h.due() == 1 and h.valve.position == "closing"
    early = Hand().opened()
    early.close()
    early.look(0, SHUT)
    early.look(300, SHUT)  # for three tenths, and yet not as long as it was driven open
    assert early.due() == 5000
    assert h.look(0, BETWEEN) == [] and h.look(100, SHUT) == []
    assert h.look(299, SHUT) == [] and h.look(1, SHUT) == ["off"] and h.valve.shut()


def test_a_switch_that_makes_just_before_the_travel_is_over_is_enough() -> None:
    h = Hand().opened()
    h.close()
    h.look(TRAVEL_MS - 100, BETWEEN)
    assert h.look(0, SHUT) == [] and h.due() == 100
    assert h.look(99, SHUT) == [] and h.look(1, SHUT) == ["off"] and h.valve.shut()


def test_after_its_clock_failed_it_is_driven_for_its_whole_travel_a_bare_motor_too() -> None:
    for cuts_itself_off in (True, False):
        h = Hand(cuts_itself_off=cuts_itself_off).opened()
        h.valve.lose_count()
        h.close()
        h.shuts_after(TRAVEL_MS)


def test_a_clock_that_fails_while_it_is_shut_takes_nothing_from_what_is_known() -> None:
    h = Hand()
    h.valve.lose_count()
    assert h.valve.known_shut()


def test_a_bare_motor_of_which_nothing_is_known_stops_at_a_switch_that_was_seen_to_change() -> None:
    def from_anywhere() -> Hand:
        h = Hand(cuts_itself_off=False)
        h.valve = Valve(0, TRAVEL_MS, False)  # a start that remembers nothing
        h.close()
        assert h.look(0, BETWEEN) == []
        return h

    from_anywhere().shuts_after(300)
    h = from_anywhere()
    for ms in (TRAVEL_MS, 1000, 1500):
        h.look(ms, BETWEEN)
    # The 1.5 s that freed it are driven back, and 0.3 s.
    h.shuts_after(1800)


# --- both switches made: one is stuck


def test_both_switches_for_a_second_while_it_opens_close_it_and_count_as_one_failed_opening() -> None:
    h = Hand()
    h.open()
    h.look(1000, BETWEEN)
    assert h.look(100, BOTH) == [] and h.look(999, BOTH) == []
    assert h.look(1, BOTH) == ["close"]
    assert h.valve.gave_up is True and h.valve.failures == 1 and h.valve.position == "closing"
    # Made all along, it is closed by time alone and then at fault, as soon as its travel is over.
    assert h.look(TRAVEL_MS - 1, BOTH) == []
    assert h.look(1, BOTH) == ["off"] and h.valve.position == "fault" and h.due() == REST_MS


def test_each_way_in_which_an_opening_fails_adds_to_those_that_failed_before() -> None:
    for switch in (BOTH, SHUT):
        h = Hand().opened()
        h.valve.failures = 1
        h.look(100, switch)
        assert h.look(1000, switch) == ["close"]
        assert h.valve.failures == 2 and h.valve.locked()


def test_while_it_stands_still_or_is_turned_back_its_open_switch_ends_nothing() -> None:
    h = Hand()
    h.open()
    assert h.look(TRAVEL_MS, BETWEEN) == ["off"]
    assert h.look(999, OPEN) == [] and h.look(1, OPEN) == ["close"]
    assert h.look(1499, OPEN) == [] and h.valve.position == "opening"
    assert h.look(1, OPEN) == ["open"] and h.look(0, OPEN) == ["off"] and h.valve.position == "open"


def test_both_switches_for_a_second_while_it_stands_open_close_it_too() -> None:
    h = Hand().opened()
    h.look(100, BOTH)
    assert h.look(1000, BOTH) == ["close"] and h.valve.gave_up is True and h.valve.failures == 1


def test_after_both_were_made_the_way_back_has_two_tries_of_its_own() -> None:
    h = Hand()
    h.open()
    for ms in (TRAVEL_MS, 1000, 1500, 100):  # the opening is at its second try
        h.look(ms, BETWEEN)
    h.look(100, BOTH)
    assert h.look(1000, BOTH) == ["close"]
    assert [h.look(ms, BETWEEN) for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS)] == [
        ["off"], ["open"], ["close"], ["off"],
    ]  # fmt: skip


def test_a_travel_that_ends_in_a_bounce_of_both_switches_stops_the_motor_and_then_is_a_fault() -> None:
    h = Hand().opened()
    h.close()
    h.look(TRAVEL_MS - 500, BETWEEN)
    assert h.look(100, BOTH) == [] and h.look(399, BOTH) == []
    assert h.look(1, BOTH) == ["off"] and h.valve.position == "closing"
    assert h.look(599, BOTH) == [] and h.valve.position == "closing"
    h.look(1, BOTH)
    assert h.valve.position == "fault"
    for _ in range(20):  # which of the two is stuck nobody knows: it is not tried again
        assert h.look(REST_MS, BETWEEN) == []


def test_both_switches_for_a_second_at_rest_are_a_fault_that_is_not_tried_again() -> None:
    h = Hand()
    assert h.look(100, BOTH) == [] and h.look(999, BOTH) == [] and h.valve.position == "closed"
    assert h.look(1, BOTH) == [] and h.valve.position == "fault" and h.valve.locked()
    for _ in range(20):
        assert h.look(REST_MS, BETWEEN) == []
    assert h.valve.position == "fault"


# --- not where it was left


def test_an_open_valve_whose_closed_switch_makes_for_a_second_is_closed_and_has_failed_once() -> None:
    h = Hand().opened()
    assert h.look(100, SHUT) == [] and h.look(999, SHUT) == [] and h.valve.gave_up is False
    assert h.look(1, SHUT) == ["close"]
    assert h.valve.gave_up is True and h.valve.failures == 1 and h.valve.position == "closing"
    assert [h.look(ms, BETWEEN) for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS)] == [
        ["off"], ["open"], ["close"], ["off"],
    ]  # fmt: skip


def test_a_bounce_is_nothing_and_the_next_one_counts_from_its_own_beginning() -> None:
    h = Hand().opened()
    for _ in range(5):
        assert h.look(100, SHUT) == [] and h.look(900, OPEN) == []
    assert h.valve.position == "open"
    h = Hand()
    for _ in range(5):
        assert h.look(100, BETWEEN) == [] and h.look(900, SHUT) == []
    assert h.valve.shut()


def test_a_shut_valve_that_lets_go_is_driven_closed_at_once_and_the_next_time_only_after_a_rest() -> None:
    h = Hand()
    h.look(100, BETWEEN)
    assert h.look(1000, BETWEEN) == ["close"] and h.valve.failures == 0 and h.valve.gave_up is False
    h.shuts_after(TRAVEL_MS)  # how far it was turned nobody knows
    h.look(100, BETWEEN)
    assert h.look(1000, BETWEEN) == [] and h.valve.position == "fault" and h.valve.drive == "off"
    assert h.look(REST_MS - 1, BETWEEN) == [] and h.look(1, BETWEEN) == ["close"]


def test_a_shut_valve_that_lets_go_and_does_not_come_back_is_freed_once_and_is_a_fault() -> None:
    h = Hand()
    h.look(100, BETWEEN)
    assert [h.look(ms, BETWEEN) for ms in (1000, TRAVEL_MS, 1000, 1500, TRAVEL_MS)] == [
        ["close"], ["off"], ["open"], ["close"], ["off"],
    ]  # fmt: skip
    assert h.valve.position == "fault"


def test_a_shut_valve_whose_switches_cannot_be_read_is_unknown_and_closed_once_they_can() -> None:
    h = Hand()
    h.look(100, UNREADABLE)
    assert h.look(999, UNREADABLE) == [] and h.valve.position == "closed"
    assert h.look(1, UNREADABLE) == [] and h.valve.position == "unknown" and h.valve.drive == "off"
    assert h.look(REST_MS, UNREADABLE) == [] and h.valve.position == "unknown"
    assert h.look(100, SHUT) == ["close"] and h.valve.position == "closing"
    h.shuts_after(300)


# --- in fault


def test_a_valve_that_did_not_close_is_tried_three_times_more_with_five_minutes_of_rest_before_each() -> None:
    h = Hand().jammed()
    for _ in range(3):
        assert h.due() == REST_MS
        assert h.look(REST_MS - 1, BETWEEN) == [] and h.look(1, BETWEEN) == ["close"]
        assert [h.look(ms, BETWEEN) for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS)] == [
            ["off"], ["open"], ["close"], ["off"],
        ]  # fmt: skip
        assert h.valve.position == "fault"
    assert h.due() is None
    for _ in range(20):
        assert h.look(REST_MS, BETWEEN) == []
    # A close that is sent begins anew, with three tries more behind it.
    assert h.close() == ["close"]
    for ms in (TRAVEL_MS, 1000, 1500, TRAVEL_MS):
        h.look(ms, BETWEEN)
    assert h.look(REST_MS, BETWEEN) == ["close"]


def test_a_closed_switch_that_makes_in_a_fault_is_followed_by_one_travel_and_no_more() -> None:
    h = Hand().jammed()
    assert h.look(100, SHUT) == [] and h.look(999, SHUT) == [] and h.look(1, SHUT) == ["close"]
    assert h.look(100, BETWEEN) == []
    assert h.look(TRAVEL_MS - 101, BETWEEN) == [] and h.look(1, BETWEEN) == ["off"]
    assert h.valve.position == "fault" and h.look(1000, BETWEEN) == []


def test_a_closed_switch_that_makes_again_is_followed_once_the_motor_has_rested_for_five_minutes() -> None:
    h = Hand()
    h.look(100, BOTH)
    h.look(1000, BOTH)  # a fault that is not tried again by itself
    h.look(0, BETWEEN)
    assert h.look(0, SHUT) == [] and h.look(1000, SHUT) == ["close"]
    assert h.look(TRAVEL_MS, BETWEEN) == ["off"] and h.valve.position == "fault"
    h.look(REST_MS - 1001, BETWEEN)
    assert h.look(0, SHUT) == [] and h.look(1000, SHUT) == [] and h.look(1, SHUT) == ["close"]


# --- when it wants to be looked at


def test_a_valve_at_rest_wants_no_look_and_a_run_wants_one_at_its_end() -> None:
    h = Hand()
    assert h.due() is None
    h.opened()
    assert h.due() is None
    h.valve.run = Run("o", h.now - 100, 600, None, None)
    assert h.due() == 500


def test_each_stage_of_a_closing_is_due_at_its_end() -> None:
    h = Hand().opened()
    h.close()
    assert h.due() == 5300  # when its switch is believed
    h.look(5299, BETWEEN)
    assert h.due() == 1
    h.look(1, BETWEEN)
    assert h.due() == TRAVEL_MS - 5300
    h.look(TRAVEL_MS - 5300, BETWEEN)
    assert h.due() == 1000
    h.look(1000, BETWEEN)
    assert h.due() == 1500
    h.look(1500, BETWEEN)
    assert h.due() == 6800
    h.look(6800, BETWEEN)
    assert h.due() == TRAVEL_MS - 6800
    h.look(TRAVEL_MS - 6800, BETWEEN)
    assert h.due() == REST_MS
    h.look(1000, BETWEEN)
    assert h.due() == REST_MS - 1000


def test_a_bounce_is_due_when_it_is_a_second_old_and_not_for_ever() -> None:
    h = Hand()
    h.look(100, BETWEEN)
    assert h.due() == 1000
    h.look(999, BETWEEN)
    assert h.due() == 1
    h = Hand().jammed()
    h.valve._at_once = False
    h.look(100, SHUT)
    assert h.due() == 1000
    h.look(1000, SHUT)  # not followed: the motor rests first
    assert h.due() == REST_MS - 1100


def test_a_fault_that_is_not_tried_again_wants_no_look_but_for_a_switch_that_made_until_it_has_rested() -> (
    None
):
    h = Hand()
    h.look(100, BOTH)
    h.look(1000, BOTH)
    assert h.valve.position == "fault" and h.due() == REST_MS
    h.look(REST_MS - 1, BOTH)
    assert h.due() == 1
    h.look(1, BOTH)
    assert h.due() is None
    h.look(1, BETWEEN)
    assert h.due() is None
