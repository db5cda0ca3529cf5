"""The page as a process: where it may listen, what its log says, how long it waits for who does not ask."""

from __future__ import annotations

import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.request
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.site.errors import UsageError
from scheduler.web.serving import (
    ADDRESS_MAX,
    CONNECTIONS_MAX,
    HEADERS_S,
    Address,
    config_of,
    end_slow_handshakes,
)
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


# ---- Limits and ciphers, by the server itself with a page of one word --------------------------------------


async def _one_word(scope: Any, _receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": scope["path"].encode()})


@contextmanager
def _running(address: Address) -> Iterator[int]:
    server = uvicorn.Server(config_of(_one_word, address))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        _wait(lambda: server.started)
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)


def _held(port: int, own: str = "127.0.0.1") -> socket.socket:
    """A connection that has begun to ask and does not go on."""
    found = socket.create_connection(("127.0.0.1", port), PATIENCE_S, source_address=(own, 0))
    found.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
    return found


def _closed(held: socket.socket) -> bool:
    """Waits until the other side has ended it."""
    try:
        return held.recv(100) == b""
    except ConnectionResetError:
        return True


def _asked(port: int, own: str) -> bytes:
    with _held(port, own) as held:
        held.sendall(b"\r\n")
        return held.recv(1000).split(b"\r\n", 1)[0]


def test_a_connection_that_does_not_ask_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow sender of headers (OWASP: Slowloris) holds no place for good."""
    assert HEADERS_S == 5.0
    monkeypatch.setattr("scheduler.web.serving.HEADERS_S", 0.3)
    with _running(Address(port=0)) as port, _held(port) as slow:
        began = time.monotonic()
        assert _closed(slow)
        assert time.monotonic() - began > 0.1


def test_an_address_holds_no_more_than_twenty_places_and_the_others_find_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("scheduler.web.serving.HEADERS_S", PATIENCE_S)
    with _running(Address(port=0)) as port, ExitStack() as open_ones:
        held = [open_ones.enter_context(_held(port)) for _ in range(ADDRESS_MAX)]
        assert _closed(open_ones.enter_context(_held(port)))  # the one too many
        assert _asked(port, "127.0.0.2") == b"HTTP/1.1 200 OK"  # a phone that wants to stop
        held[0].sendall(b"\r\n")
        assert held[0].recv(1000).startswith(b"HTTP/1.1 200 OK")  # nobody who came before is thrown out


def test_no_more_than_sixty_places_are_held_in_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduler.web.serving.HEADERS_S", PATIENCE_S)
    assert config_of(_one_word, Address()).limit_concurrency == CONNECTIONS_MAX == 60
    with _running(Address(port=0)) as port, ExitStack() as open_ones:
        for own in ("127.0.0.2", "127.0.0.3", "127.0.0.4"):
            for _ in range(ADDRESS_MAX):
                open_ones.enter_context(_held(port, own))
        assert _asked(port, "127.0.0.5").startswith(b"HTTP/1.1 503")


def test_a_connection_that_does_not_speak_tls_is_ended(
    own_certificate: Address, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the handshake the limits of places do not hold: only this does."""
    monkeypatch.setattr("asyncio.constants.SSL_HANDSHAKE_TIMEOUT", 60.0)  # put back after the test
    monkeypatch.setattr("scheduler.web.serving.HEADERS_S", 0.3)
    end_slow_handshakes()
    with _running(own_certificate) as port, socket.create_connection(("127.0.0.1", port), PATIENCE_S) as mute:
        assert _closed(mute)


@pytest.fixture(scope="module")
def own_certificate(tmp_path_factory: pytest.TempPathFactory) -> Address:
    """One that the house made for itself."""
    folder = tmp_path_factory.mktemp("tls")
    certificate, key = folder / "page.crt", folder / "page.key"
    made = [
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
    ]
    files = ["-subj", "/CN=garden.example", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(["openssl", *made, *files], check=True, capture_output=True)
    return Address(port=0, certificate=certificate, key=key)


def test_over_tls_only_1_2_and_1_3_are_spoken_and_only_with_aead_and_fresh_keys(
    own_certificate: Address,
) -> None:
    """RFC 9325 3.1.1 and 4.2."""

    def spoken(most: ssl.TLSVersion, ciphers: str) -> tuple[str, ...] | None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        context.set_ciphers(ciphers)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of the old versions, which is the point
            context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, most
        with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as raw:
            try:
                with context.wrap_socket(raw) as made:
                    version, cipher = made.version(), made.cipher()
                    return (str(version), cipher[0] if cipher else "")
            except (ssl.SSLError, OSError):
                return None

    with _running(own_certificate) as port:
        newest = spoken(ssl.TLSVersion.TLSv1_3, "ALL")
        before = spoken(ssl.TLSVersion.TLSv1_2, "ALL")
        assert newest is not None and newest[0] == "TLSv1.3"
        assert before is not None and before[0] == "TLSv1.2" and re.match(r"ECDHE-.*-GCM-", before[1])
        assert spoken(ssl.TLSVersion.TLSv1_2, "ECDHE+AES:!AESGCM:!AESCCM") is None
        assert spoken(ssl.TLSVersion.TLSv1_1, "ALL:@SECLEVEL=0") is None
