"""What a node remembers over a restart: all that is whole, nothing that cannot be."""

from __future__ import annotations

from typing import Any

import pytest

from firmware_stub.core import Node
from firmware_stub.settings import Settings

KEY = bytes(range(32))
HOUR_MS = 3_600_000


def remembered(**changes: Any) -> dict[str, Any]:
    whole = {"used": [], "outcomes": [], "dropped": 0, "log": [], "day_open_ms": [0], "runs": [], "shut": []}
    return whole | changes


def outcome(**changes: Any) -> dict[str, Any]:
    return {"order_id": "o-1", "channel": 0, "open_ms": 5, "open_ms_max": 6, "why": "asked"} | changes


def test_all_that_was_saved_is_remembered() -> None:
    used = [f"o-{n}" for n in range(20)]
    kept = [outcome(order_id=f"o-{n}") for n in range(10)]
    saved = remembered(used=used, outcomes=kept, dropped=3, day_open_ms=[7, 8], shut=[False, True])
    node = Node(Settings("shed", KEY, channels=2), saved)
    assert node.used == used[-16:] and node.outcomes == kept[-8:]
    assert node.outcomes_dropped == 3 and node.day_open_ms == [7, 8]
    assert [v.known_shut() for v in node.valves] == [False, True]


@pytest.mark.parametrize(
    "bad",
    [
        outcome(order_id="a b"), outcome(channel=256), outcome(channel=-1), outcome(open_ms=-1),
        outcome(open_ms=(1 << 40) + 1), outcome(open_ms_max=-1), outcome(open_ms_max=(1 << 40) + 1),
        outcome(why="else"), [], "o-1", None,
    ],
)  # fmt: skip
def test_an_outcome_that_cannot_be_is_left_out_and_those_beside_it_stay(bad: Any) -> None:
    node = Node(Settings("shed", KEY), remembered(outcomes=[bad, outcome()]))
    assert node.outcomes == [outcome()]


@pytest.mark.parametrize("why", ["time_up", "asked", "low_level", "low_supply", "fault", "restart"])
def test_an_outcome_at_its_edges_is_remembered(why: str) -> None:
    for open_ms, most_ms in ((0, 0), (0, 1 << 40), (1 << 40, 1 << 40)):
        whole = outcome(why=why, channel=255, open_ms=open_ms, open_ms_max=most_ms)
        assert Node(Settings("shed", KEY), remembered(outcomes=[whole])).outcomes == [whole]


@pytest.mark.parametrize(
    ("saved", "stands"), [(0, 0), (1 << 31, 1 << 31), ((1 << 31) + 1, 0), (-1, 0), (True, 0)]
)
def test_a_count_that_cannot_be_is_none(saved: int, stands: int) -> None:
    assert Node(Settings("shed", KEY), remembered(dropped=saved)).outcomes_dropped == stands


@pytest.mark.parametrize(
    ("saved", "stands"), [(0, 0), (24 * HOUR_MS, 24 * HOUR_MS), (24 * HOUR_MS + 1, 0), (-1, 0), ("5", 0)]
)
def test_a_day_s_share_that_cannot_be_is_none(saved: Any, stands: int) -> None:
    node = Node(Settings("shed", KEY), remembered(day_open_ms=[saved, 9]))
    assert node.day_open_ms == [stands]


@pytest.mark.parametrize("missing", ["used", "outcomes", "dropped", "day_open_ms", "runs", "shut"])
def test_a_memory_that_lacks_something_is_no_trouble(missing: str) -> None:
    saved = remembered(used=["o-1"])
    del saved[missing]
    node = Node(Settings("shed", KEY), saved)
    assert node.outcomes == [] and node.used == ([] if missing == "used" else ["o-1"])


def test_a_run_that_a_watchdog_broke_off_ended_within_a_save_and_a_start() -> None:
    saved = remembered(runs=[[0, "o-1", 100_000, 600_000]])
    node = Node(Settings("shed", KEY), saved, "watchdog")
    # 60 s between two saves, 10 s until the start drives it closed.
    assert node.outcomes == [outcome(open_ms=100_000, open_ms_max=170_000, why="restart")]
    assert node.day_open_ms == [70_000]
    short = Node(Settings("shed", KEY), remembered(runs=[[0, "o-1", 100_000, 120_000]]), "watchdog")
    assert short.outcomes[0]["open_ms_max"] == 120_000


def test_a_run_that_was_broken_off_adds_to_the_share_that_its_valve_had_of_the_day() -> None:
    """200 s before the last save, and 60 s between two saves with 10 s until the start drives it closed."""
    saved = remembered(day_open_ms=[200_000], runs=[[0, "o-1", 100_000, 600_000]])
    assert Node(Settings("shed", KEY), saved, "watchdog").day_open_ms == [270_000]


def test_a_run_that_had_not_begun_to_count_is_an_outcome_of_nothing() -> None:
    node = Node(Settings("shed", KEY), remembered(runs=[[0, "o-1", 0, 0]]), "watchdog")
    assert node.outcomes == [outcome(open_ms=0, open_ms_max=0, why="restart")]


def test_without_power_a_plain_valve_may_have_stood_open_for_a_day_and_one_that_shuts_may_not() -> None:
    saved = remembered(runs=[[0, "o-1", 100_000, 600_000]])
    plain = Node(Settings("shed", KEY), saved, "power_on")
    assert plain.outcomes == [outcome(open_ms=100_000, open_ms_max=24 * HOUR_MS, why="restart")]
    assert plain.day_open_ms == [500_000]
    spring = Node(Settings("shed", KEY, shuts_without_power=True), saved, "power_on")
    assert spring.outcomes == [outcome(open_ms=100_000, open_ms_max=170_000, why="restart")]


@pytest.mark.parametrize(
    "run",
    [
        [0, "a b", 1, 2], [256, "o", 1, 2], [-1, "o", 1, 2], [0, "o", -1, 2], [0, "o", 1, -2],
        [0, "o", (1 << 40) + 1, 2], [0, "o", 1, (1 << 40) + 1], [0, "o", 1.5, 2],
    ],
)  # fmt: skip
def test_a_run_that_cannot_be_is_left_out_and_the_next_one_counts(run: list[Any]) -> None:
    node = Node(Settings("shed", KEY), remembered(runs=[run, [0, "o-1", 1, 2]]), "watchdog")
    assert [o["order_id"] for o in node.outcomes] == ["o-1"]


@pytest.mark.parametrize("run", [[0, "o", 1], [0, "o", 1, 2, 3], 5])
def test_a_run_of_another_shape_ends_the_reading_and_nothing_else(run: Any) -> None:
    node = Node(Settings("shed", KEY), remembered(used=["u"], runs=[run]), "watchdog")
    assert node.outcomes == [] and node.used == ["u"]


def test_a_run_of_a_valve_that_is_no_longer_fitted_is_told_all_the_same() -> None:
    node = Node(
        Settings("shed", KEY), remembered(runs=[[1, "o-1", 1, 2], [255, "o-2", 0, 1 << 40]]), "watchdog"
    )
    assert [o["channel"] for o in node.outcomes] == [1, 255] and node.day_open_ms == [0]
