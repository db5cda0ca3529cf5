"""The daemon dies by SIGKILL between two effects around an order, comes back: the water is booked once."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from scheduler.service.boundaries import BOUNDARIES
from tests.end_to_end.garden_under_test import PATIENCE_S, GardenUnderTest

ASKED_L = 0.3
# Boundaries that the start passes too: those here lie behind the order, two events later, when it has left.
BEHIND_THE_ORDER = (
    "before_step",
    "after_step",
    "before_record",
    "after_record",
    "before_flush",
    "after_flush",
)
CLOSES = ("before_close", "after_close")
# The order is durable and may not have left the machine. What other boundaries fall beside is for the state
# to tell that the kill left.
UNSENT = ("after_intent", "before_order", "after_order")


@pytest.mark.parametrize("boundary", BOUNDARIES)
def test_killed_at_a_boundary_the_water_is_given_and_booked_once(boundary: str, tmp_path: Path) -> None:
    plot = GardenUnderTest(tmp_path)
    try:
        plot.broker.start()
        plot.board.start()
        plot.start_node()
        behind = "after_order:1 before_step:2 " if boundary in BEHIND_THE_ORDER else ""
        first = plot.start_daemon(FALLINGHEAD_KILL_AT=f"{behind}{boundary}:1")
        plot.wait(
            lambda: first.poll() is not None or "is heard" in plot.said(), PATIENCE_S, "a start or an end"
        )
        number = plot.ask("water", "bed", ASKED_L)
        if boundary in CLOSES:
            plot.wait(lambda: plot.water.is_open, PATIENCE_S, "the valve opens")
            plot.ask("stop")
        assert plot.wait(first.poll, PATIENCE_S, f"the end at {boundary}") == -signal.SIGKILL
        if behind:
            plot.wait(lambda: plot.water.openings, PATIENCE_S, "the order that left opens the valve")
        in_doubt = boundary in UNSENT or (bool(plot.intents()) and not plot.water.openings)
        if in_doubt and not plot.water.openings:
            # The power cut takes the node as well, and what it knew: the most that can have flowed is booked.
            # (With the node alive it takes a minute until the order can start no more; nothing is booked.)
            plot.kill_node()
            plot.start_node()
        plot.forget_said()
        plot.start_daemon()
        answer = plot.answer(number)
        assert answer.done, answer.text
        plot.wait(
            lambda: plot.intents() and not plot.open_intents() and plot.water.shut,
            PATIENCE_S,
            "orders are booked",
        )
        bookings = plot.bookings()
        assert len({b.order_id for b in bookings}) == len(bookings) == len(plot.intents())
        ran = [b for b in bookings if b.volume_l > 0]
        assert len(plot.water.openings) <= len(ran) <= 1
        assert sum(b.volume_low_l for b in ran) - 0.03 <= plot.water.given_l
        assert plot.water.given_l <= sum(b.volume_high_l for b in ran) + 0.03
        if not in_doubt:
            assert len(plot.water.openings) == 1
            assert sum(b.volume_l for b in ran) == pytest.approx(plot.water.given_l, abs=0.03)
        if not in_doubt and boundary not in CLOSES:
            assert plot.water.given_l == pytest.approx(ASKED_L, abs=0.03)
        assert "Traceback" not in plot.said()
    finally:
        plot.close()
