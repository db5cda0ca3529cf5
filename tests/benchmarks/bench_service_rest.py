"""The daemon at rest: share of a core, resident memory, bytes written.

``python tests/benchmarks/bench_service_rest.py [SECONDS]`` starts Mosquitto, the node's firmware on the real
MicroPython with a garden of still water, a local forecast server, and ``fallinghead serve`` as a process;
lets it settle for 30 s; measures. Targets: 0.2 % of a core, 100 MB resident, 2 MB written a day. Readings are
written every 30 minutes: whole half hours say what a day is, a shorter watch may see no write.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import psutil

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from scheduler.agronomy.weather import DayWeather  # noqa: E402
from scheduler.link.practice_board_server import BoardServer  # noqa: E402
from scheduler.sensing.level import raw_at_level  # noqa: E402
from scheduler.site.examples import example_text  # noqa: E402
from scheduler.site.reading import read_site_text  # noqa: E402
from scheduler.weather.practice_server import PracticeWeather  # noqa: E402
from tests.support.broker import MosquittoProcess  # noqa: E402
from tests.support.micropython import FIRMWARE, micropython  # noqa: E402

SETTLE_S = 30.0
KEY = "00112233445566778899aabbccddeeff"


def main(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp(prefix="rest-", dir="/var/tmp"))  # a real disk, not memory
    broker = MosquittoProcess()
    broker.start()
    site_file = write_site(folder, broker.port)
    site = read_site_text(site_file.read_text(), site_file.name)
    raw, _ = raw_at_level(site, 0.7, 15.0)
    travel = {"switches": [[False, True]] * 4, "pings": [raw] * 5, "supply_mv": 12100, "air_c": 15.0}
    board = BoardServer(0, lambda _asked: travel).start()
    node = start_node(folder, broker.port, board.port)
    today = datetime.now(UTC).date()
    days = [mild_day(today + timedelta(days=n)) for n in range(-10, 14)]
    with PracticeWeather(days, lambda: datetime.now(site.place.timezone).date()) as weather:
        watch(folder, site_file, weather.base_url, seconds, node, board, broker)
    print((folder / "log").read_text())


def mild_day(day: date) -> DayWeather:
    return DayWeather(day, tmin_c=8.0, tmax_c=14.0, rain_mm=20.0)  # nothing is due


def watch(
    folder: Path,
    site_file: Path,
    weather_url: str,
    seconds: float,
    node: subprocess.Popen[bytes],
    board: BoardServer,
    broker: MosquittoProcess,
) -> None:
    daemon = start_daemon(folder, site_file, weather_url)
    try:
        time.sleep(SETTLE_S)
        report(daemon.pid, seconds, folder)
    finally:
        daemon.terminate()
        code = daemon.wait(60)
        node.kill()
        node.wait()
        board.stop()
        broker.close()
    print(f"ended with {code} after a stop")


def write_site(folder: Path, port: int) -> Path:
    text = example_text("five-drums").replace("port = 1883", f"port = {port}")
    path = folder / "plot.toml"
    path.write_text(text)
    return path


def start_node(folder: Path, broker_port: int, board_port: int) -> subprocess.Popen[bytes]:
    settings = {
        "node": "shed",
        "key": KEY,
        "channels": 2,
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "board": {"host": "127.0.0.1", "port": board_port},
        "memory": str(folder / "node-memory"),
        "tick_ms": 50,
    }
    (folder / "node.json").write_text(json.dumps(settings))
    return subprocess.Popen(
        [micropython(), str(FIRMWARE / "run_practice_node.py"), str(folder / "node.json")],
        env={"MICROPYPATH": f".frozen:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
        stdout=(folder / "node.log").open("wb"),
        stderr=subprocess.STDOUT,
    )


def start_daemon(folder: Path, site_file: Path, weather_url: str) -> subprocess.Popen[bytes]:
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "FALLINGHEAD_STATE": str(folder / "state"),
        "FALLINGHEAD_NODE_KEY_SHED": KEY,
        "FALLINGHEAD_CLOCK_TRUST": "synced",
        "FALLINGHEAD_WEATHER_URL": weather_url,
        "OPENBLAS_NUM_THREADS": "1",
    }
    return subprocess.Popen(
        [sys.executable, "-m", "scheduler.cli.main", "serve", str(site_file)],
        env=environment,
        stderr=(folder / "log").open("wb"),
    )


def report(pid: int, seconds: float, folder: Path) -> None:
    process = psutil.Process(pid)
    cpu = process.cpu_times()
    written = process.io_counters().write_bytes
    started = time.monotonic()
    time.sleep(seconds)
    passed_s = time.monotonic() - started
    after = process.cpu_times()
    used_s = after.user + after.system - cpu.user - cpu.system
    wrote = process.io_counters().write_bytes - written
    print(f"watched {passed_s:.0f} s")
    print(f"CPU {100 * used_s / passed_s:.3f} % of a core (target 0.2)")
    print(f"resident {process.memory_info().rss / 1e6:.1f} MB (target 100), {process.num_threads()} threads")
    print(f"written {wrote} B; at this pace {wrote * 86400 / passed_s / 1e6:.2f} MB a day (target 2)")
    print("store", {p.name: p.stat().st_size for p in sorted((folder / "state").iterdir())})


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1800.0)
