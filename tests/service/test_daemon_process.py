"""The daemon as a process: waiting for a broker, one per garden, clean stops, refusals in words."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from scheduler.site.examples import example_text
from scheduler.store.store import Store, store_url
from tests.support.broker import MosquittoProcess, free_port

ROOT = Path(__file__).parents[2]
KEY = "00112233445566778899aabbccddeeff"


class Garden:
    """A site file on a port of its own, and daemons started on it."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder = folder
        self.site = folder / "plot.toml"
        weather = folder / "weather.csv"
        weather.write_text("date,tmin_c,tmax_c,rain_mm\n2012-07-01,12,25,0\n")
        text = example_text("five-drums").replace("port = 1883", f"port = {port}")
        assert str(port) in text
        text = text.replace('service = "open-meteo"', f'service = "file"\npath = "{weather}"')
        self.site.write_text(text)
        self.log = folder / "log"
        self.running: list[subprocess.Popen[bytes]] = []

    def start(self, **more: str) -> subprocess.Popen[bytes]:
        environment = os.environ | {
            "PYTHONPATH": str(ROOT),
            "FALLINGHEAD_STATE": str(self.folder / "state"),
            "FALLINGHEAD_NODE_KEY_SHED": KEY,
        }
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("run_daemon.py")), str(self.site)],
                env=environment | more,
                stderr=log,
            )
        self.running.append(process)
        return process

    def said(self) -> str:
        return self.log.read_text() if self.log.exists() else ""

    def wait_for(self, text: str, within_s: float = 30.0) -> None:
        end = time.monotonic() + within_s
        while text not in self.said():
            assert time.monotonic() < end, f"never said {text!r}:\n{self.said()}"
            time.sleep(0.05)

    @property
    def url(self) -> str:
        return store_url(self.folder / "state" / "five-drums.db")


@pytest.fixture
def garden(tmp_path: Path):
    made = Garden(tmp_path, free_port())
    yield made
    for process in made.running:
        if process.poll() is None:
            process.kill()
        process.wait()


def test_an_unreachable_broker_is_waited_for_and_a_stop_ends_cleanly(garden: Garden) -> None:
    daemon = garden.start()
    garden.wait_for("no connection to the broker")
    time.sleep(1.0)
    assert daemon.poll() is None
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(30) == 0
    assert "Ended." in garden.said()
    assert "Traceback" not in garden.said()


def test_a_broker_that_comes_later_is_reached_and_a_second_interrupt_ends_the_wait(tmp_path: Path) -> None:
    port = free_port()
    garden = Garden(tmp_path, port)
    daemon = garden.start()
    garden.wait_for("no connection to the broker")
    broker = MosquittoProcess(port=port)
    try:
        broker.start()
        garden.wait_for("The broker is reached.", 60.0)
        # No node is there: it says what it waits for, and a second Ctrl-C ends the wait.
        daemon.send_signal(signal.SIGINT)
        garden.wait_for("waiting up to 20 s for the node", 3.0)
        time.sleep(0.5)
        assert daemon.poll() is None
        daemon.send_signal(signal.SIGINT)
        assert daemon.wait(5) == 0
        assert "Asked again" in garden.said()
        assert "has not said that its valves are shut" in garden.said()
        assert "Traceback" not in garden.said()
    finally:
        daemon.kill()
        daemon.wait()
        broker.close()


def test_a_second_daemon_on_the_same_garden_is_refused(garden: Garden) -> None:
    first = garden.start()
    garden.wait_for("Serving")
    second = garden.start()
    assert second.wait(30) == 6
    assert f"by process {first.pid}" in garden.said()
    assert first.poll() is None


def test_a_stop_asked_while_the_broker_is_away_is_answered_and_survives_a_kill(garden: Garden) -> None:
    daemon = garden.start()
    garden.wait_for("no connection to the broker")
    with Store(garden.url, "five-drums", service=False) as command:
        number = command.add_request("stop", "Ines", None, None, datetime.now(UTC))
        end = time.monotonic() + 10.0
        while command.answer_to(number) is None:
            assert time.monotonic() < end, garden.said()
            time.sleep(0.05)
    daemon.kill()
    daemon.wait()
    with Store(garden.url, "five-drums", service=False) as command:
        stop = command.stop_state()
        assert stop is not None and (stop.stopped, stop.who) == (True, "Ines")
    garden.log.unlink()
    again = garden.start()
    garden.wait_for("Serving")
    again.send_signal(signal.SIGTERM)
    assert again.wait(30) == 0


def test_the_daemon_dies_at_the_asked_boundary_and_the_request_is_answered_after(garden: Garden) -> None:
    daemon = garden.start(FALLINGHEAD_KILL_AT="after_request:1")
    garden.wait_for("Serving")
    with Store(garden.url, "five-drums", service=False) as command:
        number = command.add_request("stop", "Ines", None, None, datetime.now(UTC))
        assert daemon.wait(20) == -signal.SIGKILL
        assert command.answer_to(number) is None
        garden.start()
        end = time.monotonic() + 20.0
        while command.answer_to(number) is None:
            assert time.monotonic() < end, garden.said()
            time.sleep(0.05)


def test_a_missing_key_is_refused_in_words(garden: Garden) -> None:
    daemon = garden.start(FALLINGHEAD_NODE_KEY_SHED="")
    assert daemon.wait(30) == 2
    assert "FALLINGHEAD_NODE_KEY_SHED" in garden.said()
    assert "Traceback" not in garden.said()


def test_a_damaged_store_is_refused_in_words(garden: Garden) -> None:
    (garden.folder / "state").mkdir()
    (garden.folder / "state" / "five-drums.db").write_bytes(b"not a database, whatever it says" * 200)
    daemon = garden.start()
    assert daemon.wait(30) == 3
    assert "damaged" in garden.said()
    assert "Traceback" not in garden.said()
