"""The main job with the real programs: broker, daemon, firmware in MicroPython, database."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from math import pi, sqrt
from pathlib import Path

import pytest

from scheduler.weather.practice_server import PracticeWeather
from tests.end_to_end.garden_under_test import TRAVEL_S, GardenUnderTest
from tests.support.gardens import dry_days

ASKED_L = 0.5


def test_a_run_gives_the_litres_asked_for_and_books_them_once(plot: GardenUnderTest) -> None:
    plot.order(ASKED_L)
    (booking,) = plot.wait_booked()
    assert plot.water.given_l == pytest.approx(ASKED_L, abs=0.02)
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.02)
    assert booking.outcome is not None
    assert booking.outcome.why == "time_up"
    assert plot.stop_daemon() == 0
    assert "Traceback" not in plot.said()


def test_a_falling_level_gives_longer_runs_for_the_same_litres(tmp_path: Path) -> None:
    diameter_cm, litres, runs, flow_lph = 12.0, 1.2, 3, 240.0
    plot = GardenUnderTest(tmp_path, diameter_cm=diameter_cm, level_m=0.80, flow_lph=flow_lph)
    try:
        plot.start()
        levels = []
        for number in range(1, runs + 1):
            levels.append(plot.water.level_m)
            plot.order(litres)
            plot.wait_booked(number)
        believed = [i.level_m for i in plot.intents()]
        levels.append(plot.water.level_m)
        lasted = [o.ended_s - o.began_s for o in plot.water.openings if o.ended_s is not None]
    finally:
        plot.close()
    assert lasted == sorted(lasted)
    assert lasted[-1] > 1.08 * lasted[0]
    for opening in plot.water.openings:
        assert opening.litres == pytest.approx(litres, rel=0.04), f"levels {levels}, believed {believed}"
    # Torricelli: an orifice k * h^0.5 empties a prism from h1 to h2 in 2 A / k * (sqrt h1 - sqrt h2); the
    # emitter lies 0.20 m below the outlet, and a valve that turns for 1 s each way loses half a second twice.
    # Friction of half a metre of wide hose, which Torricelli leaves out, makes it a little longer.
    area_m2, k = pi * (diameter_cm / 200) ** 2, flow_lph / 3.6e6
    for before_m, after_m, real_s in zip(levels[:-1], levels[1:], lasted, strict=True):
        ideal_s = 2 * area_m2 / k * (sqrt(before_m + 0.20) - sqrt(after_m + 0.20)) + TRAVEL_S
        assert ideal_s - 0.3 < real_s < 1.05 * ideal_s + 0.3


def test_a_stop_closes_the_valve_within_a_second_or_so_and_holds_over_a_restart(
    plot: GardenUnderTest,
) -> None:
    plot.order(1.0)
    asked_s = time.monotonic()
    stop = plot.ask("stop")
    plot.wait(lambda: plot.water.shut, 5, "the valve is shut")
    # 1 s of the valve's own travel is in it.
    assert time.monotonic() - asked_s < TRAVEL_S + 1.5
    assert plot.answer(stop).done
    (booking,) = plot.wait_booked()
    assert booking.outcome is not None
    assert booking.outcome.why == "asked"
    assert booking.volume_low_l - 0.03 <= plot.water.given_l <= booking.volume_high_l + 0.03
    plot.kill_daemon()
    plot.forget_said()
    plot.start_daemon()
    plot.wait_said("Node shed is heard", 20)
    refused = plot.answer(plot.ask("water", "bed", ASKED_L))
    assert not refused.done
    assert "stopped by Ines" in refused.text
    assert plot.answer(plot.ask("resume")).done
    plot.order(0.3)
    plot.wait_booked(2)


def test_a_forecast_that_drips_a_byte_a_second_holds_up_neither_watering_nor_a_stop(tmp_path: Path) -> None:
    today = datetime.now(UTC).date()
    with PracticeWeather(dry_days(today - timedelta(days=20), 40), lambda: today) as weather:
        weather.fault = "drip"
        plot = GardenUnderTest(tmp_path, weather_url=weather.base_url)
        try:
            plot.start()
            assert weather.calls >= 1
            plot.order(1.0)
            asked_s = time.monotonic()
            plot.answer(plot.ask("stop"))
            plot.wait(lambda: plot.water.shut, 5, "the valve is shut")
            assert time.monotonic() - asked_s < TRAVEL_S + 1.5
            plot.wait_booked()
            plot.wait_said("No weather:", 60)
            assert "Traceback" not in plot.said()
        finally:
            plot.close()


def test_an_unreachable_broker_is_said_and_what_was_asked_meanwhile_is_kept(tmp_path: Path) -> None:
    plot = GardenUnderTest(tmp_path)
    try:
        plot.board.start()
        plot.start_node()
        plot.start_daemon()
        plot.wait_said(f"no connection to the broker at 127.0.0.1:{plot.broker.port}", 20)
        asked = plot.ask("water", "bed", ASKED_L)
        plot.wait_said("Ines asks: water bed", 10)
        plot.broker.start()
        assert plot.answer(asked, 40).done
        plot.wait_booked(1)
        assert plot.water.given_l == pytest.approx(ASKED_L, abs=0.02)
    finally:
        plot.close()
