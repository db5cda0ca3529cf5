"""The garden's side of a practice board: one node asks, a simulated garden answers.

One line of JSON each way: ``{"t": 1234, "motor": {"0": "open"}, "measure": false}`` is answered with
``{"switches": [[false, true]], "pings": [8123, ...] or null, "supply_mv": 12100, "air_c": 18.5}``. With
``"now_ms"`` in the answer the garden also sets the node's clock, so that a practice garden may hurry.
"""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any

LINE_BYTES_MAX = 4096
ACCEPT_S = 0.2

Respond = Callable[[dict[str, Any]], Mapping[str, Any]]


class BoardServer:
    """Serves one node at a time on loopback, in its own thread. Port 0 takes a free one."""

    def __init__(self, port: int, respond: Respond) -> None:
        self.host = "127.0.0.1"
        self._respond = respond
        self._listener = socket.create_server((self.host, port))
        self._listener.settimeout(ACCEPT_S)
        self.port = int(self._listener.getsockname()[1])
        self._leaving = threading.Event()
        self._thread = threading.Thread(target=self._run, name="practice-board", daemon=True)
        self.failure: Exception | None = None
        self.exchanges = 0

    def start(self) -> BoardServer:
        self._thread.start()
        return self

    def stop(self) -> None:
        self._leaving.set()
        if self._thread.is_alive():
            self._thread.join(5)
        self._listener.close()

    def _run(self) -> None:
        while not self._leaving.is_set():
            try:
                node, _address = self._listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with node, contextlib.suppress(OSError):
                node.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                node.settimeout(ACCEPT_S)
                self._serve(node)

    def _serve(self, node: socket.socket) -> None:
        buffer = b""
        while not self._leaving.is_set():
            try:
                piece = node.recv(LINE_BYTES_MAX)
            except TimeoutError:
                continue
            if not piece:
                return
            buffer += piece
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                answer = self._answer(line)
                if answer is None:
                    return
                node.sendall(answer)
            if len(buffer) > LINE_BYTES_MAX:
                return

    def _answer(self, line: bytes) -> bytes | None:
        """None: not understood, or the garden failed (kept in ``failure``): hang up."""
        try:
            asked = json.loads(line)
            inputs = self._respond(asked)
            answer = json.dumps(inputs, separators=(",", ":")).encode() + b"\n"
        except Exception as error:
            self.failure = error
            return None
        self.exchanges += 1
        return answer

    def __enter__(self) -> BoardServer:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
