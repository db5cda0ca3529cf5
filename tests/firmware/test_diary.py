"""The node's own log: bounded, kept over a restart, and no storm pushes a fault out of it."""

from __future__ import annotations

import json

import pytest

from firmware_stub import codec
from firmware_stub.core import Inputs, Node
from firmware_stub.diary import KEPT, WORDS_MAX, Diary
from firmware_stub.memory import kept
from firmware_stub.settings import Settings

KEY = bytes(range(32))


def words(node: Node) -> list[str]:
    return [w for _ago, _at, w in node.diary.entries]


def test_a_storm_of_refusals_does_not_push_the_faults_out() -> None:
    diary = Diary()
    diary.note(0, "valve 1 is not shut: fault")
    for ms in range(0, 600_000, 100):
        diary.note(ms, "refused: bad_mac")
    assert diary.entries[0] == (0, 0, "valve 1 is not shut: fault")
    assert len(diary.entries) <= KEPT


def test_the_same_words_are_noted_again_after_a_minute() -> None:
    diary = Diary()
    for ms in (1000, 60_999, 61_000):
        diary.note(ms, "refused: bad_mac")
    assert [at_s for _ago, at_s, _words in diary.entries] == [1, 61]


def test_the_last_sixteen_notes_are_kept() -> None:
    diary = Diary()
    for n in range(16):
        diary.note(0, f"n{n}")
    assert len(diary.entries) == 16
    diary.note(0, "n16")
    assert [told for _ago, _at, told in diary.entries] == [f"n{n}" for n in range(1, 17)]


def test_after_999_restarts_they_are_counted_no_further() -> None:
    assert Diary([[997, 5, "a"], [998, 5, "b"], [999, 5, "c"]]).entries == [
        (998, 5, "a"), (999, 5, "b"), (999, 5, "c"),
    ]  # fmt: skip


def test_what_was_noted_survives_a_restart_and_is_counted_from_it() -> None:
    node = Node(Settings("shed", KEY))
    node.boot(0)
    node.handle("order", b"x" * 100, False, 5000)
    again = Node(Settings("shed", KEY), json.loads(json.dumps(kept(node))), "watchdog")
    assert again.diary.entries == [
        (1, 0, "start: power_on"),
        (1, 5, "refused: bad_mac"),
        (0, 0, "start: watchdog"),
    ]


@pytest.mark.parametrize("saved", [None, 7, {}, [1], [[0, "x", "y"]], [[-1, 0, "y"]], [None] * 99])
def test_a_log_that_cannot_be_read_is_an_empty_one(saved: object) -> None:
    assert Diary(saved).entries == []


def test_a_valve_that_sticks_is_in_the_log() -> None:
    node = Node(Settings("shed", KEY, travel_ms_max=2000))
    node.boot(0)
    for ms in range(0, 20_000, 100):
        node.tick(ms, Inputs([(False, False)]))  # it never arrives
    assert words(node)[-1] == "valve 1 is not shut: fault"
    assert kept(node)["log"][-1][2] == "valve 1 is not shut: fault"


def test_the_longest_log_fits_its_frame() -> None:
    node = Node(Settings("a" * 32, KEY))
    node.boot(0)
    for n in range(KEPT):
        node.diary.note(10**12 + n, f"{n:02d}" + "w" * WORDS_MAX)
    frame = node.log_frame("c" * 32)
    assert len(frame) <= codec.STATE_BYTES_MAX
    told = json.loads(codec.open_frame("log", frame, KEY, codec.STATE_BYTES_MAX))["entries"]
    assert told and told[-1][2].startswith(f"{KEPT - 1:02d}")
