"""Clocks, lock, secrets, health, log, kill boundaries, timers and the loop."""

from __future__ import annotations

import io
import logging
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.service.boundaries import BOUNDARIES, Boundaries
from scheduler.service.clock import FastClock, WallTrust
from scheduler.service.health import Health, sd_notify
from scheduler.service.lock import SiteLock, lock_path
from scheduler.service.log import PlainLine
from scheduler.service.loop import Loop
from scheduler.service.secrets import Secrets
from scheduler.service.timers import Timers
from scheduler.site.errors import LockedError, UsageError

ROOT = Path(__file__).parents[2]
AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)
KEY = "00112233445566778899aabbccddeeff"


# --- clocks -------------------------------------------------------------------------------------------


def trust(tmp_path: Path, **rest: object) -> WallTrust:
    given: dict[str, object] = {
        "timesync_file": tmp_path / "synchronized",
        "hardware_clock_file": tmp_path / "hctosys",
        "kernel_synced": lambda: False,
        "boot": "boot-1",
    }
    return WallTrust(**(given | rest))  # type: ignore[arg-type]


def test_a_clock_nobody_set_is_unknown(tmp_path: Path) -> None:
    assert trust(tmp_path)(AT, 10.0) == "unknown"
    assert trust(tmp_path, last_saved=AT)(AT, 10.0) == "unknown"  # how long the power was off is not known


def test_the_mark_of_the_time_service_makes_it_synced(tmp_path: Path) -> None:
    (tmp_path / "synchronized").touch()
    judge = trust(tmp_path)
    assert judge(AT, 10.0) == "synced"
    (tmp_path / "synchronized").unlink()
    assert judge(AT, 20.0) == "stale"
    assert judge(AT, 20.0 + 31 * 86400) == "unknown"


def test_synced_earlier_in_this_boot_is_stale_in_another_it_is_not(tmp_path: Path) -> None:
    assert trust(tmp_path, synced_boot="boot-1", last_saved=AT)(AT, 10.0) == "stale"
    assert trust(tmp_path, synced_boot="boot-0", last_saved=AT)(AT, 10.0) == "unknown"


def test_a_clock_that_went_back_behind_the_store_is_unknown(tmp_path: Path) -> None:
    (tmp_path / "hctosys").write_text("1\n")
    judge = trust(tmp_path, last_saved=AT)
    assert judge(AT + timedelta(hours=1), 10.0) == "stale"
    assert judge(datetime(1970, 1, 1, tzinfo=UTC), 10.0) == "unknown"
    judge.saved(AT + timedelta(days=1))
    assert judge(AT + timedelta(hours=1), 20.0) == "unknown"


@pytest.mark.parametrize("said", ["synced", "stale", "unknown"])
def test_what_a_person_says_of_the_clock_holds(tmp_path: Path, said: str) -> None:
    assert trust(tmp_path, said=said)(AT, 1.0) == said


def test_a_fast_clock_runs_as_many_times_as_fast() -> None:
    real = [100.0]
    clock = FastClock(AT, 720.0, monotonic_s=lambda: real[0])
    real[0] += 10.0
    assert clock.now().wall == AT + timedelta(hours=2)
    assert clock.now().monotonic_s == 7200.0
    assert clock.delay_s(7200.0) == 10.0


# --- one daemon per garden ----------------------------------------------------------------------------


def test_a_second_service_is_refused_and_told_who_holds_the_garden(tmp_path: Path) -> None:
    path = lock_path(tmp_path / "plot.db")
    with SiteLock(path), pytest.raises(LockedError, match=f"by process {os.getpid()}"):
        SiteLock(path).take()
    with SiteLock(path):
        pass


def test_a_killed_service_leaves_no_lock_behind(tmp_path: Path) -> None:
    path = lock_path(tmp_path / "plot.db")
    code = "import sys,time\nfrom pathlib import Path\nfrom scheduler.service.lock import SiteLock\n"
    code += "SiteLock(Path(sys.argv[1])).take() or print('held', flush=True)\nlock = 1\ntime.sleep(60)\n"
    code = code.replace("SiteLock(Path(sys.argv[1])).take() or", "l = SiteLock(Path(sys.argv[1])); l.take();")
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert holder.stdout is not None and holder.stdout.readline() == "held\n"
    with pytest.raises(LockedError, match=f"by process {holder.pid}"):
        SiteLock(path).take()
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with SiteLock(path):
        pass


# --- secrets ------------------------------------------------------------------------------------------


def test_secrets_come_from_the_environment_then_credentials_then_the_file(tmp_path: Path) -> None:
    file = tmp_path / "secrets"
    file.write_text(f"node_key_drum-2 = {KEY}\nbroker_password = from the file\nphone = json://127.0.0.1/\n")
    file.chmod(0o600)
    folder = tmp_path / "credentials"
    folder.mkdir()
    secrets = Secrets({"FALLINGHEAD_SECRETS": str(file), "CREDENTIALS_DIRECTORY": str(folder)})
    assert secrets.get("broker_password") == "from the file"
    (folder / "broker_password").write_text("from systemd\n")
    assert secrets.get("broker_password") == "from systemd"
    with_env = Secrets(
        {"CREDENTIALS_DIRECTORY": str(folder), "FALLINGHEAD_BROKER_PASSWORD": "from the environment"}
    )
    assert with_env.get("broker_password") == "from the environment"
    assert Secrets({"FALLINGHEAD_NODE_KEY_DRUM_2": KEY}).node_key("drum-2") == bytes.fromhex(KEY)


def test_a_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "secrets"
    file.write_text("broker_password = s3cret\n")
    file.chmod(0o640)
    with pytest.raises(UsageError, match="chmod 600") as refused:
        Secrets({"FALLINGHEAD_SECRETS": str(file)})
    assert "s3cret" not in str(refused.value)


@pytest.mark.parametrize(("text", "word"), [("xyz", "hexadecimal"), ("0011", "16 or more"), (None, "no key")])
def test_a_bad_node_key_is_named_and_not_shown(text: str | None, word: str) -> None:
    environment = {} if text is None else {"FALLINGHEAD_NODE_KEY_DRUM": text}
    with pytest.raises(UsageError, match=word) as refused:
        Secrets(environment).node_key("drum")
    assert "FALLINGHEAD_NODE_KEY_DRUM" in str(refused.value)
    assert text is None or f"{text!r}" not in str(refused.value)


# --- systemd, log -------------------------------------------------------------------------------------


def test_systemd_hears_ready_once_and_alive_at_half_the_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(1.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        now = [0.0]
        health = Health(monotonic_s=lambda: now[0], watchdog_usec="20000000")
        health.ready()
        health.ready()
        assert manager.recv(200).startswith(b"READY=1")
        heard = 0
        for _ in range(60):
            health.alive()
            now[0] += 1.0
        manager.settimeout(0.05)
        while True:
            try:
                assert manager.recv(200) == b"WATCHDOG=1"
                heard += 1
            except TimeoutError:
                break
        assert heard == 6


def test_without_systemd_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not sd_notify("READY=1")


def test_a_log_line_is_one_line_in_local_time_with_its_zone() -> None:
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(PlainLine(ZoneInfo("Europe/Berlin")))
    record = logging.LogRecord("x", logging.WARNING, "", 0, "two\nlines\x0b%s", ("!",), None)
    record.created = AT.timestamp()
    handler.emit(record)
    assert stream.getvalue() == "2026-07-03 06:30:00 CEST  warning: two lines !\n"


# --- kill boundaries ----------------------------------------------------------------------------------


def test_boundaries_are_inert_unless_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FALLINGHEAD_KILL_AT", raising=False)
    inert = Boundaries()
    for name in BOUNDARIES:
        inert.reached(name)


@pytest.mark.parametrize(
    ("asked", "lived"),
    [("before_order:3", ["0", "1"]), ("before_order:2 after_intent:2", ["0", "1", "2"])],
)
def test_the_process_dies_at_the_asked_count(asked: str, lived: list[str]) -> None:
    code = "from scheduler.service.boundaries import Boundaries\nb = Boundaries()\n"
    code += (
        "for n in range(9):\n    b.reached('after_intent'); b.reached('before_order'); print(n, flush=True)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": str(ROOT), "FALLINGHEAD_KILL_AT": asked},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == -signal.SIGKILL
    assert ran.stdout.split() == lived


@pytest.mark.parametrize(
    "asked", ["nowhere:1", "after_intent:0", "after_intent:x", "after_order:1 nowhere:1"]
)
def test_a_misspelt_boundary_is_refused(asked: str) -> None:
    with pytest.raises(UsageError, match="after_intent"):
        Boundaries(asked)


# --- timers and loop ----------------------------------------------------------------------------------


def test_a_newer_timer_replaces_an_older_one_of_its_name() -> None:
    timers = Timers()
    timers.start()
    fired: queue.SimpleQueue[str] = queue.SimpleQueue()
    try:
        timers.once("wake", 3600.0, lambda: fired.put("old"))
        timers.once("wake", 0.0, lambda: fired.put("new"))
        assert fired.get(timeout=5.0) == "new"
    finally:
        timers.stop()
    assert fired.empty()


def test_timers_that_are_stopped_as_one_fires_end_quietly() -> None:
    # A dead scheduler thread fails the test by its warning; without the pause one stop in two did that here.
    interval_s = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        for _ in range(20):
            timers = Timers()
            timers.start()
            fired: queue.SimpleQueue[str] = queue.SimpleQueue()
            timers.once("wake", 0.0, lambda fired=fired: fired.put("new"))  # type: ignore[misc]
            assert fired.get(timeout=5.0) == "new"
            timers.stop()
    finally:
        sys.setswitchinterval(interval_s)


class FakeShell:
    """As much of a shell as the loop touches."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.handled: list[str] = []
        self.looks = 0
        self.faults = 0
        self.last_heard: object = None
        self.all_shut = True
        self.flushed = 0

    def start(self) -> None:
        self.loop.wake(0.05)

    def handle(self, event: object) -> None:
        self.handled.append(type(event).__name__)

    def look_for_requests(self) -> None:
        self.looks += 1

    def tend(self) -> None:
        pass

    def flush(self) -> None:
        self.flushed += 1


def run_for(loop: Loop, shell: FakeShell, script: object) -> None:
    thread = threading.Thread(target=loop.run, args=(shell,))
    thread.start()
    script()  # type: ignore[operator]
    thread.join(30.0)
    assert not thread.is_alive()


def wait_until(true: object, within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


def test_the_loop_wakes_without_a_timer_and_looks_without_a_nudge() -> None:
    loop = Loop(FastClock(AT, 1.0))
    shell = FakeShell(loop)

    def script() -> None:
        wait_until(lambda: "Tick" in shell.handled)
        wait_until(lambda: shell.looks >= 2)
        loop.leave()

    run_for(loop, shell, script)
    assert shell.handled[-1] == "Leaving"
    assert shell.flushed == 1


def test_a_nudge_is_acted_on_at_once() -> None:
    loop = Loop(FastClock(AT, 1.0))
    shell = FakeShell(loop)

    def script() -> None:
        wait_until(lambda: "Tick" in shell.handled)
        before, began = shell.looks, time.monotonic()
        loop.nudge()
        wait_until(lambda: shell.looks > before)
        assert time.monotonic() - began < 0.5
        loop.end()

    run_for(loop, shell, script)
    assert "Leaving" not in shell.handled


class JumpyClock(FastClock):
    shift = timedelta()

    def now(self):  # type: ignore[no-untyped-def]
        from dataclasses import replace

        now = super().now()
        return replace(now, wall=now.wall + self.shift)


@pytest.mark.parametrize("hours", [-6, 6])
def test_a_wall_clock_that_jumps_is_noticed_within_two_looks(hours: int) -> None:
    clock = JumpyClock(AT, 1.0)
    jumped = threading.Event()
    loop = Loop(clock, on_jump=jumped.set)
    shell = FakeShell(loop)

    def script() -> None:
        wait_until(lambda: shell.looks >= 1)
        clock.shift = timedelta(hours=hours)
        assert jumped.wait(4.0)
        loop.end()

    run_for(loop, shell, script)
    assert shell.handled.count("Tick") >= 2
