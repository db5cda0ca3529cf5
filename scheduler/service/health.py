"""What the service tells systemd: ready, alive, leaving. Without systemd every call does nothing."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable

SEND_S_MAX = 1.0


def sd_notify(message: str) -> bool:
    """One datagram to the service manager (sd_notify(3)); False when there is none, or it does not hear."""
    path = os.environ.get("NOTIFY_SOCKET")
    if not path:
        return False
    address = "\0" + path[1:] if path.startswith("@") else path
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out,
    ):
        out.settimeout(SEND_S_MAX)
        out.connect(address)
        out.sendall(message.encode())
        return True
    return False


class Health:
    """Called from the deciding loop only, so that a loop that stands still is restarted."""

    def __init__(
        self,
        *,
        notify: Callable[[str], bool] = sd_notify,
        monotonic_s: Callable[[], float] = time.monotonic,
        watchdog_usec: str | None = None,
    ) -> None:
        self._notify = notify
        self._monotonic_s = monotonic_s
        said = watchdog_usec if watchdog_usec is not None else os.environ.get("WATCHDOG_USEC", "")
        # Half the limit, as sd_watchdog_enabled(3) advises.
        self._every_s = int(said) / 2e6 if said.isdigit() and int(said) > 0 else None
        self._last_s = -1e9
        self._ready = False

    def ready(self) -> None:
        """After the first good step; later calls do nothing."""
        if not self._ready:
            self._ready = True
            self._notify("READY=1\nSTATUS=Watching the garden")

    def alive(self) -> None:
        if self._every_s is not None and self._monotonic_s() - self._last_s >= self._every_s:
            self._last_s = self._monotonic_s()
            self._notify("WATCHDOG=1")

    def leaving(self) -> None:
        self._notify("STOPPING=1\nSTATUS=Closing the valves")
