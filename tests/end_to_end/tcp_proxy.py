"""A TCP proxy of the tests' own between a node and the broker: it delays, splits, cuts and falls silent."""

from __future__ import annotations

import contextlib
import select
import socket
import threading

PIECE = 4096
LOOK_S = 0.02


class TcpProxy:
    """At any time: ``silent`` (sockets stay, nothing passes), ``piece`` (bytes at a time), ``delay_s``."""

    def __init__(self, target_port: int) -> None:
        self._target = ("127.0.0.1", target_port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(LOOK_S)
        self.port = int(self._listener.getsockname()[1])
        self.silent = False
        self.piece = PIECE
        self.delay_s = 0.0
        self.connections = 0
        self._cut = threading.Event()
        self._leaving = threading.Event()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    def __enter__(self) -> TcpProxy:
        self._threads[0].start()
        return self

    def __exit__(self, *_rest: object) -> None:
        self._leaving.set()
        for thread in self._threads:
            thread.join(5)
        self._listener.close()

    def cut(self) -> None:
        """End every connection that there is now."""
        before, self._cut = self._cut, threading.Event()
        before.set()

    def _accept(self) -> None:
        while not self._leaving.is_set():
            with contextlib.suppress(TimeoutError):
                near, _address = self._listener.accept()
                self.connections += 1
                thread = threading.Thread(target=self._serve, args=(near, self._cut), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, near: socket.socket, cut: threading.Event) -> None:
        with near, contextlib.suppress(OSError), socket.create_connection(self._target, timeout=5) as far:
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                end.settimeout(5)
            other = {near: far, far: near}
            while not self._leaving.is_set() and not cut.is_set():
                if self.silent:
                    cut.wait(LOOK_S)
                    continue
                for source in select.select([near, far], [], [], LOOK_S)[0]:
                    data = source.recv(PIECE)
                    if not data:
                        return
                    if self.delay_s:
                        cut.wait(self.delay_s)
                    for at in range(0, len(data), self.piece):
                        other[source].sendall(data[at : at + self.piece])
