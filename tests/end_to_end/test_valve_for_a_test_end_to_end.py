"""Commissioning beside the running daemon: the valve opens for a test, and a stop half-way shuts it."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time

import pytest

from tests.end_to_end.garden_under_test import ROOT, GardenUnderTest


class Talk:
    """The guided commissioning as a process, typed at."""

    def __init__(self, plot: GardenUnderTest, step: str) -> None:
        environment = os.environ | {
            "PYTHONPATH": str(ROOT),
            "FALLINGHEAD_STATE": str(plot.state),
            "FALLINGHEAD_BROKER_USER": "person",
            "FALLINGHEAD_BROKER_PASSWORD": plot.broker.passwords["person"],
            "COLUMNS": "500",
        }
        command = [sys.executable, "-m", "scheduler.cli.main", "commission", str(plot.site_file), step]
        self.heard = ""
        self.process = subprocess.Popen(
            [*command, "--who", "Ines"], env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def type(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(text.encode() + b"\n")
        self.process.stdin.flush()

    def hear(self, sign: str, within_s: float = 60.0) -> None:
        assert self.process.stdout is not None
        end = time.monotonic() + within_s
        while sign not in self.heard:
            assert time.monotonic() < end, self.heard
            if select.select([self.process.stdout], [], [], 0.5)[0]:
                said = os.read(self.process.stdout.fileno(), 4096)
                assert said, f"ended without {sign!r}: {self.heard}"
                self.heard += said.decode()

    def close(self) -> None:
        self.process.kill()
        self.process.wait(10)
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()


def test_the_valve_opens_for_a_test_and_a_stop_half_way_shuts_it(plot: GardenUnderTest) -> None:
    talk = Talk(plot, "head-flow")
    try:
        talk.hear("or type: open 10 min")
        talk.type("open 90 s")
        talk.hear("opens for 90 s")
        plot.wait(lambda: plot.water.is_open, 10, "the valve opens")
        talk.type("20 C")
        talk.type("stop")
        talk.hear("The node confirms that the valve is shut.")
        talk.hear("everything typed is kept")
        assert talk.process.wait(30) == 0
    finally:
        talk.close()
    plot.wait(lambda: plot.water.shut, 5, "the valve is shut")
    (booking,) = plot.wait_booked()
    assert booking.outcome is not None and booking.outcome.why == "asked"
    assert booking.given_l == () and 0.0 < booking.open_s < 90.0
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.05)
    (intent,) = plot.intents()
    assert (intent.asked_by, intent.for_test) == ("Ines", True)
    with plot.store() as store:
        assert store.draft() is not None and "20 C" in (store.draft() or "")
    # It stopped the test, not the garden.
    plot.order(0.3)
