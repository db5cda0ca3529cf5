"""The systemd unit as shipped: its command, with what systemd would give it, beside the shipped broker.

Not shown here: the sandboxing lines (they need systemd as the first process) and the change of user.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from scheduler.site.examples import example_text
from tests.end_to_end.deployed_broker import DEPLOY, DeployedBroker
from tests.end_to_end.garden_under_test import PATIENCE_S

UNIT = DEPLOY / "systemd" / "fallinghead.service"
KEY = "00112233445566778899aabbccddeeff"


def unit_lines(key: str) -> list[str]:
    lines = [line.partition("=") for line in UNIT.read_text(encoding="utf-8").splitlines()]
    return [value for name, _, value in lines if name == key]


@pytest.fixture
def broker():
    made = DeployedBroker(("shed",))
    made.start()
    yield made
    made.close()


def as_systemd_would(folder: Path, site: Path, broker: DeployedBroker) -> subprocess.Popen[bytes]:
    (folder / "credentials").mkdir()
    contents = {"broker_password": broker.passwords["fallinghead"], "node_key_shed": KEY}
    for line in unit_lines("LoadCredential"):
        name = line.split(":")[0]
        (folder / "credentials" / name).write_text(contents[name] + "\n")
    (folder / "state").mkdir()
    (folder / "state").chmod(int(unit_lines("StateDirectoryMode")[0], 8))
    environment = {
        "PATH": "/usr/bin:/bin",
        "CREDENTIALS_DIRECTORY": str(folder / "credentials"),
        "STATE_DIRECTORY": str(folder / "state"),
        "NOTIFY_SOCKET": str(folder / "notify"),
        "WATCHDOG_USEC": "2000000",
        **dict(pair.split("=", 1) for line in unit_lines("Environment") for pair in shlex.split(line)),
    }
    program, command, named = shlex.split(unit_lines("ExecStart")[0])
    assert (Path(program).name, named) == ("fallinghead", "/etc/fallinghead/site.toml")
    installed = Path(sys.executable).with_name("fallinghead")
    with (folder / "log").open("w") as log:
        return subprocess.Popen(
            [installed, command, str(site)],
            env=environment,
            cwd="/",
            umask=int(unit_lines("UMask")[0], 8),
            stderr=log,
        )


def told(heard: socket.socket, word: str, within_s: float) -> None:
    end = time.monotonic() + within_s
    seen = []
    while time.monotonic() < end:
        heard.settimeout(max(0.01, end - time.monotonic()))
        try:
            seen.append(heard.recv(4096).decode())
        except TimeoutError:
            break
        if word in seen[-1]:
            return
    raise AssertionError(f"never told {word}; told {seen}")


def test_the_units_command_starts_tells_systemd_and_ends_as_it_expects(
    tmp_path: Path, broker: DeployedBroker
) -> None:
    site = tmp_path / "site.toml"
    (tmp_path / "weather.csv").write_text("date,tmin_c,tmax_c,rain_mm\n2012-07-01,12,25,0\n")
    text = example_text("five-drums").replace("port = 1883", f"port = {broker.port}")
    text = text.replace('service = "open-meteo"', f'service = "file"\npath = "{tmp_path / "weather.csv"}"')
    site.write_text(text)
    heard = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    heard.bind(str(tmp_path / "notify"))
    service = as_systemd_would(tmp_path, site, broker)
    try:
        told(heard, "READY=1", PATIENCE_S)
        told(heard, "WATCHDOG=1", 10.0)
        end = time.monotonic() + 15.0
        while "u'fallinghead'" not in broker.log():  # the credential was taken and the broker let it in
            assert time.monotonic() < end, broker.log()
            time.sleep(0.05)
        # Whoever is in the group may give commands, nobody else may even look.
        files = {p.name: stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "state").glob("five-drums.db*")}
        assert {files[f"five-drums.db{ending}"] for ending in ("", "-wal", "-shm")} == {0o660}, files
        service.send_signal(signal.SIGTERM)
        told(heard, "STOPPING=1", 10.0)
        service.send_signal(signal.SIGTERM)  # no node is here to wait for
        service.wait(20.0)
    finally:
        service.kill()
        service.wait()
        heard.close()
    said = (tmp_path / "log").read_text()
    assert service.returncode == 0, said
    assert KEY not in said
    assert broker.passwords["fallinghead"] not in said


def test_systemd_takes_every_line_of_the_unit(tmp_path: Path) -> None:
    shipped = UNIT.read_text(encoding="utf-8")
    program = shlex.split(unit_lines("ExecStart")[0])[0]
    assert int(unit_lines("TimeoutStopSec")[0]) > 20  # the wait for the node, see scheduler/service/loop.py
    copy = tmp_path / "fallinghead.service"
    copy.write_text(shipped.replace(program, sys.executable))
    judge = shutil.which("systemd-analyze")
    assert judge is not None, "systemd-analyze is not installed; deploy/test.sh installs it"
    ran = subprocess.run(
        [judge, "verify", str(copy)], capture_output=True, text=True, env=os.environ, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, ""), ran.stderr
