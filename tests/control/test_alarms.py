"""On-delay, off-delay, deadband, re-alarm time, hiding; and nobody is told twice in a day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from scheduler.control.alarms import DAY_S, RULES, AlarmMemory, Condition, Verdict, judge
from scheduler.control.effects import AlertKind

START = datetime(2012, 7, 1, 6, 0, tzinfo=UTC)
ON = Condition(True, lambda: "text", "advice")
OFF = Condition(False)
DEADBAND = Condition(None)


@dataclass
class Watchman:
    """Judges one rule again and again; time is given as seconds since the start."""

    kind: AlertKind = "near_empty"
    memory: AlarmMemory | None = None

    def look(self, at_s: float, condition: Condition, *, hidden: bool = False) -> Verdict:
        wall = START + timedelta(seconds=at_s)
        verdict = judge(
            self.memory or AlarmMemory(self.kind, ""),
            condition,
            wall=wall,
            monotonic_s=at_s,
            local_day=wall.date(),
            hidden=hidden,
        )
        self.memory = verdict.memory
        return verdict


def test_a_condition_must_last_its_on_delay() -> None:
    watchman = Watchman()
    delay = RULES["near_empty"].on_delay_s
    assert watchman.look(0, ON).alert is None
    assert watchman.look(delay - 1, ON).alert is None
    assert watchman.look(delay, ON).alert is not None


def test_a_flicker_starts_the_on_delay_again() -> None:
    watchman = Watchman()
    delay = RULES["near_empty"].on_delay_s
    watchman.look(0, ON)
    watchman.look(delay - 1, OFF)
    assert watchman.look(delay, ON).alert is None
    assert watchman.look(2 * delay, ON).alert is not None


def test_in_the_deadband_nothing_is_raised_and_nothing_cleared() -> None:
    watchman = Watchman("valve_not_shut")
    assert watchman.look(0, DEADBAND).alert is None
    watchman.look(100, ON)
    assert watchman.look(200, ON).alert is not None
    assert not watchman.look(10_000, DEADBAND).cleared
    assert watchman.memory is not None
    assert watchman.memory.raised_at is not None


def test_it_clears_only_after_its_off_delay() -> None:
    watchman = Watchman()
    watchman.look(0, ON)
    assert watchman.look(RULES["near_empty"].on_delay_s, ON).alert is not None
    off = RULES["near_empty"].off_delay_s
    assert not watchman.look(4000, OFF).cleared
    assert not watchman.look(4000 + off - 1, OFF).cleared
    assert watchman.look(4000 + off, OFF).cleared


def test_a_lasting_fault_is_told_again_only_after_the_realarm_time() -> None:
    watchman = Watchman("valve_not_shut")
    told = [s for s in range(0, int(3 * DAY_S), 600) if watchman.look(s, ON).alert]
    assert len(told) == 3
    assert min(b - a for a, b in pairwise(told)) >= RULES["valve_not_shut"].realarm_s


def test_what_another_alert_explains_is_not_told() -> None:
    watchman = Watchman("level_unknown")
    assert watchman.look(0, ON, hidden=True).alert is None
    assert watchman.look(10, ON, hidden=False).alert is not None


@given(
    kind=st.sampled_from(sorted(k for k, rule in RULES.items() if not rule.urgent)),
    looks=st.lists(
        st.tuples(st.integers(1, 20_000), st.sampled_from([ON, OFF, DEADBAND]), st.booleans()),
        max_size=80,
    ),
)
def test_nobody_is_told_the_same_thing_twice_in_a_day(
    kind: AlertKind, looks: list[tuple[int, Condition, bool]]
) -> None:
    watchman, at_s = Watchman(kind), 0
    days: list[date] = []
    for pause_s, condition, hidden in looks:
        at_s += pause_s
        verdict = watchman.look(at_s, condition, hidden=hidden)
        if verdict.alert is not None:
            days.append(verdict.alert.at.date())
    assert len(days) == len(set(days))


def test_an_urgent_thing_that_was_over_and_is_back_is_told_again_but_never_chatters() -> None:
    watchman = Watchman("valve_not_shut")
    watchman.look(0, ON)
    assert watchman.look(60, ON).alert is not None
    told = []
    for at_s in range(120, 4 * 3600, 60):  # comes and goes every minute
        if watchman.look(at_s, ON if at_s // 60 % 2 else OFF).alert is not None:
            told.append(at_s)
        if watchman.look(at_s + 40, ON if at_s // 60 % 2 else OFF).alert is not None:
            told.append(at_s + 40)
    assert 2 <= len(told) <= 4
