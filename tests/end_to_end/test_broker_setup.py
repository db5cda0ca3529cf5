"""The broker as deploy/broker-setup.sh makes it, and the node in MicroPython that trusts it alone."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from scheduler.link.nudge import nudge
from scheduler.link.practice_board_server import BoardServer
from scheduler.service.places import DEFAULT_USER
from scheduler.service.provisioning import make_node
from scheduler.site.examples import example_site
from tests.end_to_end.deployed_broker import DEPLOY, DeployedBroker
from tests.end_to_end.garden_under_test import wait_until
from tests.support.broker import free_port
from tests.support.micropython import FIRMWARE, micropython, run_micropython

SITE = example_site("five-drums")
NODE = SITE.node.id
BENCH = Path(__file__).parents[1] / "firmware" / "on_micropython_bench_broker.py"
TLS_MEMORY = BENCH.with_name("on_micropython_tls_memory.py")
# The words of Mosquitto 2.0.11's log: one of the two for each attempt. The second alone where the
# client's first bytes are there, and are no TLS, before the broker has logged the connection.
ATTEMPTS = re.compile(r"New connection from 127\.0\.0\.1|Client connection from 127\.0\.0\.1 failed")
GREETED = f"as node-{NODE} "


@pytest.fixture(scope="module")
def broker() -> Iterator[DeployedBroker]:
    made = DeployedBroker((NODE, "other"))
    try:
        made.start()
        yield made
    finally:
        made.close()


def still(_asked: dict[str, object]) -> dict[str, object]:
    return {"switches": [[False, True]], "pings": [8000] * 5, "supply_mv": 12000}


@contextmanager
def node_with(folder: Path, settings: dict[str, object]) -> Iterator[None]:
    path = folder / "node.json"
    with BoardServer(0, still) as board:
        path.write_text(json.dumps(settings | {"board": {"host": "127.0.0.1", "port": board.port}}))
        process = subprocess.Popen(
            [micropython(), str(FIRMWARE / "run_practice_node.py"), str(path)],
            env={"MICROPYPATH": f".frozen:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
        )
        try:
            yield
            assert process.poll() is None, "the node's program ended"
        finally:
            process.kill()
            process.wait()


def settings_of(broker: DeployedBroker, **changed: object) -> dict[str, object]:
    return {"node": NODE, "key": "5a" * 32, "tick_ms": 10, "broker": broker.for_node(NODE) | changed}


def test_a_nudge_goes_through_over_tls(
    broker: DeployedBroker,
) -> None:
    def nudged(**how: Any) -> bool:
        user = {"username": DEFAULT_USER, "password": broker.passwords[DEFAULT_USER]}
        return nudge(SITE.id, host="127.0.0.1", port=broker.tls_port, **({"within_s": 10.0} | user | how))

    assert nudged(tls_ca_file=str(broker.ca_file))
    assert not nudged(within_s=2.0)  # without TLS
    assert not nudged(tls_ca_file="/nowhere/ca.crt")


def test_a_node_that_pins_the_authority_comes_in_over_tls(broker: DeployedBroker, tmp_path: Path) -> None:
    seen = broker.log().count(GREETED)
    with node_with(tmp_path, settings_of(broker)):
        wait_until(lambda: broker.log().count(GREETED) > seen, 30, "the node is let in", broker.log)


def test_a_tls_connection_takes_little_of_the_node_s_heap(broker: DeployedBroker, tmp_path: Path) -> None:
    """In the 64-bit unix program; its TLS library takes its buffers outside that heap, a board's does not."""
    path = tmp_path / "broker.json"
    path.write_text(json.dumps(broker.for_node(NODE)))
    done = run_micropython(TLS_MEMORY, str(path))
    assert done.returncode == 0, done.stdout + done.stderr
    words = done.stdout.split()
    found = dict(zip(words[::2], map(int, words[1::2]), strict=True))
    print(f"\nbytes: {found}")
    # Measured here: 4.3 kB once, 0.6 kB a connection, and 28 kB a connection outside the heap.
    assert found["context"] <= 6000 and found["heap"] <= 1000
    assert 0 < found["outside"] <= 40_000


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        ("authority", "unknown ca"),  # TLS alerts, RFC 5246 section 7.2.2
        ("name", "bad certificate"),
        ("no_tls", "wrong version number"),
    ],
)
def test_a_node_refuses_a_broker_that_it_cannot_prove(
    broker: DeployedBroker, tmp_path: Path, spoil: str, word: str
) -> None:
    settings = settings_of(broker)
    known = broker.for_node(NODE)
    if spoil == "authority":
        other = tmp_path / "ca"
        set_up(tmp_path / "b", other)
        settings["broker"] = broker.for_node(NODE, ca_file=other / "ca.crt")
    elif spoil == "name":
        settings["broker"] = known | {"tls_name": "another-broker"}
    else:
        settings["broker"] = {k: known[k] for k in ("host", "port", "username", "password")}
    before = broker.log()
    with node_with(tmp_path, settings):
        news: Callable[[], str] = lambda: broker.log()[len(before) :]  # noqa: E731
        # Refused, and dialled again: the program goes on and stays outside.
        wait_until(lambda: len(ATTEMPTS.findall(news())) >= 2, 30, "two attempts", broker.log)
        wait_until(lambda: word in news(), 10, word, broker.log)
        assert GREETED not in news()


def test_the_settings_that_provisioning_writes_bring_the_node_in(
    broker: DeployedBroker, tmp_path: Path
) -> None:
    made = tmp_path / "settings.json"
    make_node(SITE, tmp_path / "secrets", made, broker_host="127.0.0.1", ca_file=broker.ca_file)
    settings = json.loads(made.read_text())
    assert settings["broker"]["port"] == 8883  # secure-mqtt at IANA's register of ports
    settings["broker"] |= {"port": broker.tls_port, "password": broker.passwords[NODE]}
    seen = broker.log().count(GREETED)
    with node_with(tmp_path, settings | {"channels": 1, "supply_low_mv": None}):
        wait_until(lambda: broker.log().count(GREETED) > seen, 30, "the node is let in", broker.log)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (None, "ok    broker: lets this node in, with TLS"),
        ("password", "FAIL  broker: refuses user and password"),
        ("authority", "FAIL  broker: tls: The certificate is not correctly signed by the trusted CA"),
        ("port", "FAIL  broker: "),
    ],
)
def test_the_bench_test_tells_how_the_broker_answers(
    broker: DeployedBroker, tmp_path: Path, spoil: str | None, said: str
) -> None:
    known = broker.for_node(NODE)
    if spoil == "authority":
        set_up(tmp_path / "b", tmp_path / "ca")
        known = broker.for_node(NODE, ca_file=tmp_path / "ca" / "ca.crt")
    elif spoil == "password":
        known["password"] = "another"
    elif spoil == "port":
        known["port"] = free_port()
    path = tmp_path / "settings.json"
    path.write_text(json.dumps({"node": NODE, "broker": known}))
    done = run_micropython(BENCH, str(path))
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(said), done.stdout
    assert known["password"] not in done.stdout


def set_up(
    folder: Path, ca: Path, address: str = "127.0.0.1", *nodes: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [DEPLOY / "broker-setup.sh", address, *(nodes or ("shed",))],
        env={
            "PATH": os.environ["PATH"] + ":/usr/bin:/usr/sbin",
            "FALLINGHEAD_BROKER_DIR": str(folder),
            "FALLINGHEAD_CA_DIR": str(ca),
        },
        check=False,
        capture_output=True,
        text=True,
    )


@pytest.mark.parametrize(
    "address", ["0.0.0.0", "::", "255.255.255.255", "192.168.1", "1.2.3.999", "192.168.256.1", "name"]
)
def test_the_setup_listens_on_no_other_address_than_one_of_this_machine(address: str, tmp_path: Path) -> None:
    done = set_up(tmp_path / "b", tmp_path / "ca", address)
    assert done.returncode != 0 and len(done.stderr.splitlines()) == 1
    assert not list(tmp_path.glob("b/conf.d/*network*"))


def test_the_setup_made_listens_on_loopback_and_the_one_address_with_tls(tmp_path: Path) -> None:
    folder, ca = tmp_path / "b", tmp_path / "ca"
    assert set_up(folder, ca, "192.0.2.7").returncode == 0
    lines = "\n".join(p.read_text() for p in sorted((folder / "conf.d").iterdir())).splitlines()
    assert [line for line in lines if line.startswith("listener")] == [
        "listener 8883 192.0.2.7",
        "listener 1883 127.0.0.1",
    ]
    for secret in (ca / "ca.key", folder / "fallinghead-server.key", folder / "fallinghead.passwords"):
        assert secret.stat().st_mode & 0o007 == 0, secret
    checked = subprocess.run(
        ["openssl", "verify", "-CAfile", ca / "ca.crt", folder / "fallinghead-server.crt"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert checked.stdout.strip().endswith("OK")


def test_a_second_setup_keeps_authority_and_passwords(tmp_path: Path) -> None:
    folder, ca = tmp_path / "b", tmp_path / "ca"
    assert set_up(folder, ca).returncode == 0
    kept = [ca / "ca.crt", ca / "ca.key", folder / "fallinghead.passwords"]
    before = [p.read_bytes() for p in kept]
    again = set_up(folder, ca, "192.0.2.8")
    assert again.returncode == 0 and "stay as they are" in again.stdout
    assert [p.read_bytes() for p in kept] == before
    shown = subprocess.run(
        ["openssl", "x509", "-noout", "-text", "-in", folder / "fallinghead-server.crt"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert "IP Address:192.0.2.8" in shown


def test_loopback_answers_and_no_other_address_of_this_machine(broker: DeployedBroker) -> None:
    with socket.create_connection(("127.0.0.1", broker.port), timeout=5):
        pass
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.2", broker.port), timeout=5)
