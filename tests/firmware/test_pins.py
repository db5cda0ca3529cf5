"""The board's own files on simulated pins, in the real MicroPython program and in virtual time."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.support.micropython import FIRMWARE, micropython

HERE = Path(__file__).parent


def scenario(name: str, folder: Path) -> Any:
    done = subprocess.run(
        [micropython(), str(HERE / "on_micropython_pins.py"), name],
        env={"MICROPYPATH": f".frozen:{HERE / 'pins'}:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_building_the_board_drives_the_valve_closed_before_anything_else(tmp_path: Path) -> None:
    seen = scenario("boots_with_the_valve_open", tmp_path)
    assert seen["driven"] == [0, 1]
    assert seen["at"] == 0


def test_an_order_runs_its_time_and_the_two_outputs_are_never_on_together(tmp_path: Path) -> None:
    seen = scenario("an_order_runs", tmp_path)
    # 3 s of the order, 0.4 s to turn shut, a step of the loop.
    assert 3000 <= seen["opened_until_ms"] <= 3600
    assert (seen["at"], seen["why"], seen["shorted"], seen["bitten"]) == (0, "time_up", False, None)


def test_while_the_loop_hangs_the_timer_closes_in_time_and_the_watchdog_bites(tmp_path: Path) -> None:
    seen = scenario("the_loop_hangs_in_a_run", tmp_path)
    assert seen["open_at"] == 400
    assert seen["at"] == 0
    assert 7000 <= seen["bitten_after_ms"] <= 8100


def test_a_timer_that_stands_starves_the_watchdog_though_the_loop_goes_on(tmp_path: Path) -> None:
    assert scenario("the_timer_stands", tmp_path) == {"bitten": True}


def test_a_bouncing_rain_gauge_counts_once_a_tip_and_a_flow_meter_each_pulse(tmp_path: Path) -> None:
    assert scenario("pulses_are_counted", tmp_path) == {"rain": 3, "flow": 200}


def test_a_pin_that_was_not_filled_in_is_named(tmp_path: Path) -> None:
    seen = scenario("pins_left_out", tmp_path)
    assert seen["said"] == [
        "settings.json: valve 1 has no pin for close yet: fill it in",
        "settings.json: level has no pin for adc yet: fill it in",
        "",
    ]


@pytest.mark.parametrize("name", ["bench_is_content", "bench_of_a_spring_valve"])
def test_a_board_wired_well_passes_its_bench_test(name: str, tmp_path: Path) -> None:
    seen = scenario(name, tmp_path)
    said = "\n".join(seen["lines"])
    assert seen["failed"] == 0 and "FAIL" not in said, said
    for part in (
        "clock",
        "memory",
        "opens in 0.4 s",
        "shuts in 0.4 s",
        "the timer shuts it",
        "supply",
        "level",
    ):
        assert part in said, said
    assert (seen["at"], seen["driven"], seen["shorted"]) == (0, [0, 0], False)
    if name == "bench_is_content":
        assert seen["reversed_after_ms"] >= 20


@pytest.mark.parametrize(
    ("name", "what", "advice"),
    [
        ("bench_jams", "told to open, it did not arrive within 2.0 s, twice", "it jams"),
        ("bench_swapped", "told to shut, it stands open", "swap one pair"),
        ("bench_switch_stuck", "both end switches are made at once", "one is stuck"),
        ("bench_closed_switch_stuck", "the closed switch never let go", "is stuck"),
        ("bench_no_switch", "it made no end switch within 4.0 s", "driver wired"),
        ("bench_slow", "leaves no room below travel_ms_max", "set travel_ms_max to"),
        ("bench_low_supply", "down to 10600 mV while a motor turned", "thicker wire"),
        ("bench_no_echo", "no ping came back", "its two wires"),
        ("bench_spider", "from 700 to", "a spider"),
        ("bench_no_network", "not joined within 30 s", "check wifi"),
        ("bench_timer_slow", "the timer counted", "no water with this board"),
    ],
)
def test_the_bench_test_finds_what_is_wrong_and_says_what_to_do(
    name: str, what: str, advice: str, tmp_path: Path
) -> None:
    seen = scenario(name, tmp_path)
    failures = [line for line in seen["lines"] if line.startswith("FAIL")]
    assert any(what in line and advice in line for line in failures), seen["lines"]
    assert seen["driven"] == [0, 0] and not seen["shorted"]
    others = {"bench_swapped", "bench_timer_slow"}  # what is wrong there shows twice
    assert len(failures) == 1 or name in others, failures
