"""A whole garden for tests: broker, daemon and the node's firmware as processes; pipes and water here.

Everything that decides is the real program. What is simulated is the physics: one drum, one valve that turns
in a second, and the water that runs out of it.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from scheduler.control.effects import Alert, Booking, Intent, RecordAnswer
from scheduler.link.nudge import nudge
from scheduler.link.practice_board_server import BoardServer
from scheduler.planning.garden import garden_model
from scheduler.sensing.level import raw_at_level
from scheduler.site.reading import read_site
from scheduler.store.store import Store, store_url
from tests.end_to_end.deployed_broker import DeployedBroker
from tests.support.micropython import FIRMWARE, micropython

ROOT = Path(__file__).parents[2]
ZONE = ZoneInfo("America/Los_Angeles")
KEY = "6f1d0c8be7a2459396d41f08c2b7ea53"
TRAVEL_S = 1.0
AIR_C = 18.0
EMPTY_FOLDER_WEATHER = "date,tmin_c,tmax_c,rain_mm\n2012-07-01,12,25,0\n"

SITE = """
id = "test-plot"
name = "Test plot"
units = "metric"
[place]
latitude = "47.45 N"
longitude = "122.3 W"
altitude = "130 m"
timezone = "America/Los_Angeles"
[tank]
outlet_height = "50 cm"
reserve = "2 L"
[[tank.barrel]]
id = "drum"
shape = "upright"
base_height = "45 cm"
height = "100 cm"
diameter = "{diameter}"
[feed]
bore = "25 mm"
length = "20 cm"
[sensor]
kind = "echo"
barrel = "drum"
mount_height = "1.6 m"
blanking = "3 cm"
noise = "2 mm"
interval = "5 min"
[emitter.pourer]
form = "bubbler"
flow = "{flow_lph:g} L/h"
at_head = "1 m"
exponent = 0.5
[[zone]]
id = "bed"
name = "Bed"
emptied = "0 %"
[zone.valve]
channel = 1
kv = "20 m3/h"
opening = "1 s"
closing = "1 s"
[[zone.line]]
id = "bed-line"
bore = "25 mm"
length = "50 cm"
points = [ {{ at = "40 cm", drop = "20 cm", emitter = "pourer", plant = "sage" }} ]
[[plant]]
id = "sage"
kind = "lavender"
canopy = "0.5 m2"
rank = 1
soil = "loam"
[[window]]
from = "{window_from}"
to = "{window_to}"
[forecast]
{forecast}
[node]
id = "shed"
longest_open = "2 min"
heartbeat = "10 s"
[broker]
host = "127.0.0.1"
port = {port}
"""


# How long a busy machine may take where no claim is made of the time; what must be in time says its own.
PATIENCE_S = 60.0


def wait_until(found: Callable[[], Any], within_s: float, what: str, said: Callable[[], str] = str) -> Any:
    """The first true value of ``found``; looks 20 times a second."""
    end = time.monotonic() + within_s
    while True:
        value = found()
        if value:
            return value
        assert time.monotonic() < end, f"not within {within_s:g} s: {what}\n{said()}"
        time.sleep(0.05)


@dataclass
class Opening:
    """The valve was not shut from ``began_s`` to ``ended_s`` (monotonic); None: still open."""

    began_s: float
    ended_s: float | None = None
    litres: float = 0.0


class Water:
    """The drum, the valve and what runs out; moved on by the board's exchanges and whoever looks."""

    def __init__(self, flow_lph: Callable[[float], float], area_m2: float, level_m: float) -> None:
        self._flow_lph = flow_lph
        self._area_m2 = area_m2
        self._lock = threading.Lock()
        self._at_s = time.monotonic()
        self._drive = "off"
        self.level_m = level_m  # above the outlet
        self.position = 0.0  # 0 shut, 1 open
        self.given_l = 0.0
        self.openings: list[Opening] = []
        self.dead_sensor = False

    def advance(self) -> None:
        with self._lock:
            self._advance()

    def _advance(self) -> None:
        now_s = time.monotonic()
        while self._at_s < now_s:
            dt_s = min(0.02, now_s - self._at_s)
            self._step(dt_s)
            self._at_s += dt_s

    def _step(self, dt_s: float) -> None:
        was = self.position
        turn = {"open": 1.0, "close": -1.0}.get(self._drive, 0.0) * dt_s / TRAVEL_S
        self.position = min(1.0, max(0.0, self.position + turn))
        if was == 0.0 and self.position > 0.0:
            self.openings.append(Opening(self._at_s))
        litres = (was + self.position) / 2 * self._flow_lph(self.level_m) * dt_s / 3600.0
        if litres:
            self.given_l += litres
            self.openings[-1].litres += litres
            self.level_m -= litres / 1000.0 / self._area_m2
        if was > 0.0 and self.position == 0.0:
            self.openings[-1].ended_s = self._at_s

    def respond(self, asked: dict[str, Any], site: Any) -> dict[str, Any]:
        with self._lock:
            self._advance()
            self._drive = asked["motor"].get("0", "off")
            pings = None
            if asked.get("measure") and not self.dead_sensor:
                raw, _side = raw_at_level(site, self.level_m, AIR_C)
                pings = [raw - 3, raw, raw + 3, raw, raw + 1]
            return {
                "switches": [[self.position >= 1.0, self.position <= 0.0]],
                "pings": pings,
                "supply_mv": 12_600,
                "air_c": AIR_C,
            }

    @property
    def shut(self) -> bool:
        self.advance()
        return self.position == 0.0

    @property
    def is_open(self) -> bool:
        self.advance()
        return self.position >= 1.0


@dataclass
class Heard:
    """An MQTT client of a test, with what it heard."""

    client: mqtt.Client
    messages: list[tuple[str, bytes]] = field(default_factory=list)


@cache
def new_store() -> bytes:
    """A store as the service makes it at its first start, made once: that the service itself does so, in a
    process that takes a second, is claimed in tests/service."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "test-plot.db"
        Store(store_url(path), "test-plot").close()
        return path.read_bytes()


class GardenUnderTest:
    """Start with ``start``; every process is ended by ``close``."""

    def __init__(
        self,
        folder: Path,
        *,
        diameter_cm: float = 40.0,
        level_m: float = 0.80,
        flow_lph: float = 240.0,
        weather_url: str | None = None,
    ) -> None:
        self.folder = folder
        self.broker = DeployedBroker(("shed", "other"))
        self.node_port: int | None = None  # a proxy in front of the broker's own
        self.site_file = folder / "site.toml"
        weather = folder / "weather.csv"
        weather.write_text(EMPTY_FOLDER_WEATHER)
        later = datetime.now(ZONE) + timedelta(hours=8)
        self.site_file.write_text(
            SITE.format(
                diameter=f"{diameter_cm:g} cm",
                flow_lph=flow_lph,
                window_from=f"{later:%H}:00",
                window_to=f"{later:%H}:30",
                forecast='service = "open-meteo"' if weather_url else f'service = "file"\npath = "{weather}"',
                port=self.broker.port,
            )
        )
        self.site = read_site(self.site_file)
        curve = garden_model(self.site).zones["bed"].curve
        area_m2 = 3.141592653589793 * (diameter_cm / 200.0) ** 2
        self.water = Water(lambda level_m: float(curve.total_lph(level_m)), area_m2, level_m)
        self.board = BoardServer(0, lambda asked: self.water.respond(asked, self.site))
        self.state = folder / "state"
        self.state.mkdir(mode=0o700)
        self.store_file = self.state / "test-plot.db"
        self.store_file.write_bytes(new_store())
        self._store: Store | None = None
        self.daemon: subprocess.Popen[bytes] | None = None
        self.node: subprocess.Popen[bytes] | None = None
        self._weather_url = weather_url
        self._said: list[str] = []
        self._forgotten: list[str] = []
        self._clients: list[mqtt.Client] = []
        self._processes: list[subprocess.Popen[bytes]] = []

    # --- processes

    def start(self) -> GardenUnderTest:
        self.broker.start()
        self.board.start()
        self.start_node()
        self.start_daemon()
        self.wait_ready()
        return self

    def start_daemon(self, **more: str) -> subprocess.Popen[bytes]:
        environment = os.environ | {
            "PYTHONPATH": str(ROOT),
            "FALLINGHEAD_STATE": str(self.state),
            "FALLINGHEAD_NODE_KEY_SHED": KEY,
            "FALLINGHEAD_CLOCK_TRUST": "synced",
            "FALLINGHEAD_BROKER_USER": "fallinghead",
            "FALLINGHEAD_BROKER_PASSWORD": self.broker.passwords["fallinghead"],
        }
        if self._weather_url:
            environment["FALLINGHEAD_WEATHER_URL"] = self._weather_url
        process = subprocess.Popen(
            [sys.executable, "-m", "scheduler.cli.main", "serve", str(self.site_file)],
            env=environment | more,
            stderr=subprocess.PIPE,
        )
        # A pipe, not a file: a limit on file sizes must not silence it.
        threading.Thread(target=self._listen, args=(process,), daemon=True).start()
        self.daemon = process
        self._processes.append(process)
        return process

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stderr is not None
        with contextlib.suppress(ValueError):  # closed under its reader at the end of a test
            for line in process.stderr:
                self._said.append(line.decode(errors="replace").rstrip())

    def kill_daemon(self) -> None:
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait(10)

    def start_node(self, reset_cause: str = "power_on") -> None:
        settings = {
            "node": "shed",
            "key": KEY,
            "channels": 1,
            "broker": self.broker.for_node("shed", self.node_port),
            "board": {"host": "127.0.0.1", "port": self.board.port},
            "memory": str(self.folder / "node-memory"),
            "tick_ms": 10,
            "travel_ms_max": 4000,
            "longest_open_ms": 120_000,
            "heartbeat_ms": 3000,
            "open_report_ms": 2000,
            "reset_cause": reset_cause,
        }
        path = self.folder / "node.json"
        path.write_text(json.dumps(settings))
        with (self.folder / "node.err").open("ab") as errors:
            self.node = subprocess.Popen(
                [micropython(), str(FIRMWARE / "run_practice_node.py"), str(path)],
                env={"MICROPYPATH": f".frozen:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
                stderr=errors,
            )
        self._processes.append(self.node)

    def kill_node(self) -> None:
        assert self.node is not None
        self.node.kill()
        self.node.wait(10)

    def close(self) -> None:
        for process in self._processes:
            if process.poll() is None:
                process.kill()
            process.wait(10)
            if process.stderr is not None:
                process.stderr.close()
        for client in self._clients:
            client.disconnect()
            client.loop_stop()
        self._close_store()
        self.board.stop()
        self.broker.close()
        assert self.board.failure is None, self.board.failure

    def limit_files(self, bytes_max: int) -> None:
        """The daemon's writes past this fail, as on a full disk; -1 gives room again."""
        assert self.daemon is not None
        resource.prlimit(self.daemon.pid, resource.RLIMIT_FSIZE, (bytes_max, -1))

    # --- what people do and see

    def said(self) -> str:
        node = self.folder / "node.err"
        return "\n".join(self._said) + ("\nnode: " + node.read_text() if node.exists() else "")

    def wait(self, found: Callable[[], Any], within_s: float, what: str) -> Any:
        return wait_until(found, within_s, what, self.said)

    def wait_said(self, text: str, within_s: float = PATIENCE_S, times: int = 1) -> None:
        self.wait(lambda: "\n".join(self._said).count(text) >= times, within_s, f"said {text!r}")

    def forget_said(self) -> None:
        self._forgotten.extend(self._said)
        self._said.clear()

    def ever_said(self) -> str:
        return "\n".join([*self._forgotten, self.said()])

    @contextlib.contextmanager
    def store(self) -> Iterator[Store]:
        """As a command has it; one for all looks, which come twenty times a second."""
        if self._store is None:
            self._store = Store(store_url(self.store_file), "test-plot", service=False, busy_timeout_ms=2000)
        yield self._store

    def _close_store(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None

    def put_store(self, copy: Path) -> None:
        """Somebody puts another store in place of this one; the daemon is not running."""
        self._close_store()
        for end in ("", "-wal", "-shm"):
            self.store_file.with_name(self.store_file.name + end).unlink(missing_ok=True)
        shutil.copy(copy, self.store_file)

    def wait_ready(self) -> None:
        """The node is heard by the daemon, all valves shut, nothing under way and a level is known."""
        self.wait_said("Node shed is heard")
        self.wait(lambda: self.water.shut and self._seen_shut(), PATIENCE_S, "the node says that it is shut")

    def _seen_shut(self) -> bool:
        with self.store() as store:
            return any(n.valves and all(p == "closed" for _c, p in n.valves) for n in store.nodes_seen())

    def ask(self, kind: str, subject: str | None = None, amount: float | None = None) -> int:
        """As a command does: the store first, then the nudge."""
        with self.store() as store:
            number = store.add_request(kind, "Ines", subject, amount, datetime.now(UTC))  # type: ignore[arg-type]
        nudge(
            "test-plot",
            host="127.0.0.1",
            port=self.broker.port,
            username="person",
            password=self.broker.passwords["person"],
        )
        return number

    def answer(self, number: int, within_s: float = PATIENCE_S) -> RecordAnswer:
        def look() -> RecordAnswer | None:
            with self.store() as store:
                return store.answer_to(number)

        found: RecordAnswer = self.wait(look, within_s, f"an answer to request {number}")
        return found

    def order(self, litres: float) -> None:
        """Ask for water to the bed, and wait until the valve is open."""
        before = len(self.water.openings)

        def taken() -> RecordAnswer | None:
            # Just after a run that was booked the node has not yet said that its valve is shut: then a person
            # is refused, and asks again.
            answer = self.answer(self.ask("water", "bed", litres))
            return None if "not proven shut" in answer.text else answer

        answer = self.wait(taken, PATIENCE_S, "the valve is proven shut")
        assert answer.done, answer.text
        self.wait(lambda: self.water.is_open, PATIENCE_S, "the valve opens")
        assert len(self.water.openings) == before + 1

    def bookings(self) -> tuple[Booking, ...]:
        with self.store() as store:
            return store.bookings_since((datetime.now(UTC) - timedelta(days=2)).date())

    def intents(self) -> tuple[Intent, ...]:
        with self.store() as store:
            return store.intents_since(datetime.now(UTC) - timedelta(days=2))

    def open_intents(self) -> tuple[Intent, ...]:
        with self.store() as store:
            return store.open_intents()

    def alerts(self) -> dict[str, Alert]:
        with self.store() as store:
            return {a.alert.kind: a.alert for a in store.alerts_since(datetime.now(UTC) - timedelta(days=1))}

    def wait_alert(self, kind: str, within_s: float = PATIENCE_S) -> Alert:
        found: Alert = self.wait(lambda: self.alerts().get(kind), within_s, f"alert {kind}")
        return found

    def wait_booked(self, count: int = 1, within_s: float = PATIENCE_S) -> tuple[Booking, ...]:
        """As many bookings, none of an order left over, the valve shut."""
        self.wait(
            lambda: len(self.bookings()) >= count and not self.open_intents() and self.water.shut,
            within_s,
            f"{count} booking(s) and a shut valve",
        )
        found = self.bookings()
        assert len({b.order_id for b in found}) == len(found) == count
        return found

    def client(self, user: str, *topics: str) -> Heard:
        """An MQTT client with that user's rights, connected and subscribed."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        client.username_pw_set(user, self.broker.passwords[user])
        heard = Heard(client)
        ready = threading.Event()
        client.on_message = lambda _c, _d, m: heard.messages.append((m.topic, bytes(m.payload)))
        client.on_subscribe = lambda *_: ready.set()
        client.on_connect = lambda c, *_: c.subscribe([(t, 1) for t in topics]) if topics else ready.set()
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()
        self._clients.append(client)
        assert ready.wait(PATIENCE_S)
        return heard

    def stop_daemon(self) -> int:
        assert self.daemon is not None
        self.daemon.send_signal(signal.SIGTERM)
        return self.daemon.wait(30)
