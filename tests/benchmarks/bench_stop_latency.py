"""How long a person's stop takes to the node, beside the broker's own round trip.

``python tests/benchmarks/bench_stop_latency.py [TIMES]`` starts Mosquitto as deployed, the node in
MicroPython over TLS and the daemon as a process, and asks for a stop as a command does: a durable row in the
store, then the nudge.
Told are medians and 99th percentiles of
  - the broker's own round trip: QoS 1 from a client to itself, over loopback without TLS;
  - the durable write alone, and the nudge alone (a connection of its own each time);
  - from the asking to the close on the node's topic; from there the node takes one step of its loop;
  - from the asking to the node's own signed word, back at this process, that it was closed once more.
Target: one durable write, a broker round trip and 20 ms.
"""

from __future__ import annotations

import json
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from scheduler.link.messages import read_state  # noqa: E402
from scheduler.link.nudge import nudge  # noqa: E402
from tests.end_to_end.garden_under_test import KEY, GardenUnderTest  # noqa: E402

WITHIN_S = 30.0
STEP_S = 0.002


class Arrivals:
    """When a message last came that a test takes for the one it waits for."""

    def __init__(self) -> None:
        self.came = threading.Event()
        self.at_s = 0.0

    def mark(self) -> None:
        self.at_s = time.perf_counter()
        self.came.set()

    def wait(self, since_s: float) -> float:
        if not self.came.wait(WITHIN_S):
            raise TimeoutError("nothing came")
        self.came.clear()
        return self.at_s - since_s


def round_trips(plot: GardenUnderTest, times: int) -> list[float]:
    arrived = Arrivals()
    heard = plot.client("fallinghead", "fallinghead/bench/nudge")
    heard.client.on_message = lambda *_: arrived.mark()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        heard.client.publish("fallinghead/bench/nudge", b"1", qos=1)
        taken.append(arrived.wait(began))
    return taken


class Stops:
    """Stop, wait for the close and for the node's word; start again; and so on."""

    def __init__(self, plot: GardenUnderTest) -> None:
        self.plot = plot
        self.closed, self.said = Arrivals(), Arrivals()
        self.closes = 0
        self.wanted = 1 << 60
        node = plot.client("shed", "fallinghead/shed/close")
        node.client.on_message = lambda *_: self.closed.mark()
        service = plot.client("fallinghead", "fallinghead/shed/state")
        service.client.on_message = self._state
        self.figures: dict[str, list[float]] = {
            "durable write": [],
            "nudge": [],
            "stop to the node's topic": [],
            "stop to the node's word": [],
        }

    def _state(self, _client: Any, _data: Any, message: Any) -> None:
        self.closes = read_state(bytes(message.payload), bytes.fromhex(KEY), "shed").closes
        if self.closes >= self.wanted:
            self.wanted = 1 << 60
            self.said.mark()

    def run(self, times: int) -> None:
        with self.plot.store() as store:
            while not self.closes and not self.said.came.wait(0.1):
                self._stop(store)  # until the node's count is known
                self._resume(store)
            for _ in range(times):
                self._stop(store, measured=True)
                self._resume(store)

    def _stop(self, store: Any, measured: bool = False) -> None:
        self.closed.came.clear()
        self.said.came.clear()
        self.wanted = self.closes + 1
        began = time.perf_counter()
        store.add_request("stop", "Ines", None, None, datetime.now(UTC))
        written = time.perf_counter()
        self._nudge()
        nudged = time.perf_counter()
        at_node, at_word = self.closed.wait(began), self.said.wait(began)
        if measured:
            for name, value in zip(
                self.figures, (written - began, nudged - written, at_node, at_word), strict=True
            ):
                self.figures[name].append(value)

    def _resume(self, store: Any) -> None:
        number = store.add_request("resume", "Ines", None, None, datetime.now(UTC))
        self._nudge()
        end = time.monotonic() + WITHIN_S
        while store.answer_to(number) is None:
            if time.monotonic() > end:
                raise TimeoutError("no answer")
            time.sleep(STEP_S)

    def _nudge(self) -> None:
        user = "person"
        nudge("test-plot", host="127.0.0.1", port=self.plot.broker.port, username=user,
              password=self.plot.broker.passwords[user])  # fmt: skip


def main(times: int) -> None:
    plot = GardenUnderTest(Path(tempfile.mkdtemp(prefix="stop-", dir="/var/tmp")))  # a real disk
    try:
        plot.start()
        trips = round_trips(plot, times)
        stops = Stops(plot)
        stops.run(times)
    finally:
        plot.close()
    print(f"{times} times; milliseconds: median, 99th percentile, longest")
    for name, taken in {"broker's round trip": trips, **stops.figures}.items():
        ms = 1000 * np.array(taken)
        print(f"  {name:28s} {np.median(ms):8.2f} {np.percentile(ms, 99):8.2f} {ms.max():8.2f}")
    target = np.median(trips) + np.median(stops.figures["durable write"]) + 0.020
    reached = np.median(stops.figures["stop to the node's topic"])
    print(f"  target {1000 * target:.2f} ms, reached {1000 * reached:.2f} ms: {reached / target:.2f} of it")
    print(json.dumps({"load": Path("/proc/loadavg").read_text().split()[:3]}))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
