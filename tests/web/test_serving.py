"""The page as a process: where it may listen, what its log says, how long it waits for who does not ask."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.site.errors import UsageError
from scheduler.web.serving import HEADERS_S, Address
from tests.support.broker import free_port

# Long enough for a busy machine; nothing waits so long when all is well.
PATIENCE_S = 60.0


def test_without_tls_a_password_never_crosses_a_network() -> None:
    with pytest.raises(UsageError, match="in the clear"):
        Address(host="192.0.2.7").check()
    with pytest.raises(UsageError, match="in the clear"):
        Address(host="0.0.0.0").check()
    Address(host="192.0.2.7", look_only=True).check()
    Address().check()


def test_a_certificate_and_its_key_go_together(tmp_path: Path) -> None:
    certificate = tmp_path / "c.pem"
    with pytest.raises(UsageError, match="go together"):
        Address(certificate=certificate).check()
    with pytest.raises(UsageError, match="there is no file"):
        Address(certificate=certificate, key=certificate).check()


def test_it_answers_to_the_names_it_was_given_and_to_itself() -> None:
    hosts = Address(host="192.0.2.7", names=("garden.example",)).hosts()
    assert {"192.0.2.7", "garden.example", "localhost"} <= set(hosts)
    assert "0.0.0.0" not in Address(host="0.0.0.0", names=("garden.example",)).hosts()


def test_a_new_code_is_printed_by_a_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    said = CliRunner().invoke(app, ["page", "five-drums", "--new-code"])
    assert re.search(r"First-start code: [A-Z2-7]{5}-[A-Z2-7]{5} \(once, within 30 min\)", said.output)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, Path]]:
    """The command itself; its port and its log."""
    folder = tmp_path_factory.mktemp("page")
    port = free_port()
    log = folder / "log"
    command = [sys.executable, "-m", "scheduler.cli.main", "page", "five-drums", "--port", str(port)]
    environment = {**os.environ, "FALLINGHEAD_STATE": str(folder)}
    with log.open("wb") as out, subprocess.Popen(command, env=environment, stderr=out) as process:
        _wait(lambda: _answers(port))
        yield port, log
        process.send_signal(signal.SIGTERM)
        process.wait(PATIENCE_S)


def _wait(ready: object) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if callable(ready) and ready():
            return
        time.sleep(0.1)
    raise AssertionError("the page did not come up")


def _answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), 1.0):
            return True
    except OSError:
        return False


def test_the_log_tells_where_the_page_is_and_the_first_code(served: tuple[int, Path]) -> None:
    port, log = served
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=PATIENCE_S) as answer:
        assert answer.url.endswith("/first")
        assert "set-cookie" not in {k.lower() for k in answer.headers}
    text = log.read_text(encoding="utf-8")
    assert f"http://127.0.0.1:{port}/" in text
    assert re.search(r"First-start code: [A-Z2-7]{5}-[A-Z2-7]{5}", text)


def test_a_connection_that_does_not_ask_is_ended(served: tuple[int, Path]) -> None:
    """A slow sender of headers (OWASP: Slowloris) holds no place for good."""
    port, _ = served
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as slow:
        began = time.monotonic()
        slow.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        assert slow.recv(100) == b""
        assert time.monotonic() - began > 0.5 * HEADERS_S
