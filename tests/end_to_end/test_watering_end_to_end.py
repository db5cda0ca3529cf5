"""A whole day's work with the real programs: broker, daemon, firmware in MicroPython, database."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path

import pytest

from tests.end_to_end.garden_under_test import GardenUnderTest


def test_a_run_gives_the_litres_asked_for_and_books_them_once(plot: GardenUnderTest) -> None:
    plot.order(0.4)
    (booking,) = plot.wait_booked()
    assert plot.water.given_l == pytest.approx(0.4, abs=0.02)
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    assert booking.outcome is not None
    assert booking.outcome.why == "time_up"
    assert plot.stop_daemon() == 0
