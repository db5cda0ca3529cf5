"""What the whole node program needs of the heap, in the real MicroPython program (64-bit).

Measured here: 57 kB after the start, 62 kB after 10,000 messages as after 2,000; it starts from its sources
in a heap of 108 kB, and compiled beforehand (mpy-cross 1.29.0) of 76 kB. The bounds leave a twentieth of
room. A board's words are half as long; what a board needs was not measured.
"""

from __future__ import annotations

from pathlib import Path

from tests.support.micropython import run_micropython

SCRIPT = Path(__file__).with_name("on_micropython_heap.py")
STARTED_BYTES_MAX = 60_000
HELD_BYTES_MAX = 65_000
HEAP = "140k"


def figures(count: int) -> dict[str, int]:
    done = run_micropython(SCRIPT, str(count), options=("-X", f"heapsize={HEAP}"))
    assert done.returncode == 0, done.stdout + done.stderr
    words = done.stdout.split()
    return dict(zip(words[::2], map(int, words[1::2]), strict=True))


def test_ten_thousand_messages_leave_no_more_on_the_heap_than_two_thousand() -> None:
    few, many = figures(2_000), figures(10_000)
    print(f"\nheap in bytes: {few} after 2,000 messages, {many} after 10,000")
    assert many["started"] <= STARTED_BYTES_MAX
    assert many["most"] <= HELD_BYTES_MAX
    assert many["after"] <= few["most"] + 1_000
