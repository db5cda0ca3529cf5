"""The node's program under the real MicroPython, a simulated valve beside it, Mosquitto between."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scheduler.control.effects import SendAsk, SendClose, SendOrder, SendReceipt
from scheduler.link.practice_board_server import BoardServer
from tests.link.link_ends import KEY, Ends, ended, until
from tests.support.broker import MosquittoProcess
from tests.support.micropython import FIRMWARE, micropython


class TurningValve:
    """Turns in 0.3 s by the wall clock; remembers how long it was not shut."""

    def __init__(self) -> None:
        self.at, self.when, self.open_s = 0.0, time.monotonic(), 0.0

    def respond(self, asked: dict[str, Any]) -> dict[str, Any]:
        now = time.monotonic()
        passed, self.when = now - self.when, now
        step = {"open": passed, "close": -passed}.get(asked["motor"].get("0"), 0.0) / 0.3
        self.at = min(1.0, max(0.0, self.at + step))
        self.open_s += passed if self.at > 0 else 0.0
        return {"switches": [[self.at >= 1, self.at <= 0]], "pings": [8000] * 5, "supply_mv": 12000}


@contextmanager
def micropython_node(port: int, board: int, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    settings = folder / "settings.json"
    settings.write_text(
        json.dumps(
            {
                "node": "shed",
                "key": KEY.hex(),
                "tick_ms": 10,
                "travel_ms_max": 1000,
                "broker": {"host": "127.0.0.1", "port": port},
                "board": {"host": "127.0.0.1", "port": board},
                "memory": str(folder / "memory.json"),
                "reset_cause": "watchdog",
            }
        )
    )
    with (folder / "node.log").open("wb") as log:
        process = subprocess.Popen(
            [micropython(), str(FIRMWARE / "run_practice_node.py"), str(settings)],
            env={"MICROPYPATH": f".frozen:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
            stdout=log,
            stderr=log,
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def test_order_time_up_receipt_ask_and_close_on_micropython(
    mosquitto: MosquittoProcess, tmp_path: Path
) -> None:
    valve = TurningValve()
    with (
        BoardServer(0, valve.respond) as board,
        micropython_node(mosquitto.port, board.port, tmp_path) as node,
        Ends(mosquitto.port) as ends,
    ):
        ends.link.send(SendOrder(ends.order(1, 1000)))
        until(lambda: ended(ends, "o-1"))
        assert ends.heard is not None
        (outcome,) = ends.heard.outcomes
        assert outcome.why == "time_up" and 1000 <= outcome.open_ms <= outcome.open_ms_max < 1600
        until(lambda: valve.at == 0.0)
        assert valve.open_s < 2.5
        ends.link.send(SendReceipt(("o-1",)))
        ends.link.send(SendAsk())
        until(lambda: ends.heard is not None and not ends.heard.outcomes)
        until(lambda: ends.heard is not None and ends.heard.valves[0].position == "closed")
        ends.link.send(SendOrder(ends.order(2, 60_000)))
        until(lambda: valve.at == 1.0)
        ends.link.send(SendClose(None))
        until(lambda: ended(ends, "o-2"))
        assert ends.heard.outcomes[0].why == "asked"
        until(lambda: valve.at == 0.0)
        assert node.poll() is None and board.failure is None, (tmp_path / "node.log").read_text()
        assert ends.heard.closes_repeated == 0 and ends.heard.outcomes_dropped == 0
    assert ends.trouble == [] and ends.link.untrusted == 0


def test_a_program_killed_in_mid_run_closes_when_it_comes_back_and_says_so(
    mosquitto: MosquittoProcess, tmp_path: Path
) -> None:
    valve = TurningValve()
    with BoardServer(0, valve.respond) as board, Ends(mosquitto.port) as ends:
        with micropython_node(mosquitto.port, board.port, tmp_path):
            ends.link.send(SendOrder(ends.order(1, 60_000)))
            until(lambda: valve.at == 1.0)
        assert valve.at == 1.0  # nobody turns it now
        with micropython_node(mosquitto.port, board.port, tmp_path):
            until(lambda: valve.at == 0.0)
            until(lambda: ended(ends, "o-1"))
        assert ends.heard is not None and ends.heard.outcomes[0].why == "restart"
