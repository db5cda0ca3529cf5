"""The figures over HTTP for a program that collects them: one path, read only, a process of its own."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from scheduler.report.metrics import CONTENT_TYPE, metrics_text
from scheduler.report.round_gardens import round_gardens
from scheduler.web.guard import App, Guard, Receive, Scope, Send
from scheduler.web.limits import Rate
from scheduler.web.serving import LOOPBACK, Address, run

PORT = 8418  # beside the page's
PATH = "/metrics"
# Collecting programs ask each 15 s to 60 s (common practice, no source); several of them may.
ASKS_PER_MINUTE = 60
# Within this the same figures are told again: a small computer does not open each store for each asker.
SAME_FOR_S = 10.0

log = logging.getLogger("fallinghead.metrics")


class Figures:
    """The text, worked out at most once each ``SAME_FOR_S``. Safe to use from several threads."""

    def __init__(
        self, named: Sequence[str], *, now: Callable[[], datetime], monotonic: Callable[[], float]
    ) -> None:
        self._named, self._now, self._monotonic = tuple(named), now, monotonic
        self._lock = threading.Lock()
        self._told: tuple[float, str] | None = None

    def text(self) -> str:
        with self._lock:
            now_s = self._monotonic()
            if self._told is None or now_s - self._told[0] > SAME_FOR_S:
                self._told = (now_s, metrics_text(round_gardens(self._named), self._now()))
            return self._told[1]


def metrics_app(
    figures: Figures, *, hosts: Sequence[str], monotonic: Callable[[], float] = time.monotonic
) -> App:
    """The application behind the same guard as the page's."""

    async def inner(scope: Scope, _receive: Receive, send: Send) -> None:
        if scope["path"] != PATH or scope["method"] not in ("GET", "HEAD"):
            await _say(send, 404, "text/plain; charset=utf-8", f"The figures are at {PATH}.\n")
            return
        try:
            text = await asyncio.to_thread(figures.text)
        except Exception:
            log.exception("The figures could not be gathered.")
            await _say(send, 503, "text/plain; charset=utf-8", "The figures could not be gathered.\n")
            return
        await _say(send, 200, CONTENT_TYPE, "" if scope["method"] == "HEAD" else text)

    return Guard(inner, hosts=hosts, rate=Rate(monotonic, ASKS_PER_MINUTE), tls=False, has_stop=False)


async def _say(send: Send, status: int, kind: str, text: str) -> None:
    body = text.encode("utf-8")
    headers = [(b"content-type", kind.encode("ascii")), (b"content-length", str(len(body)).encode("ascii"))]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def serve_metrics(named: Sequence[str], host: str, port: int, names: Sequence[str] = ()) -> None:
    """Serve until SIGTERM or SIGINT. UsageError: there is no garden, or the address will not do."""
    round_gardens(named)
    address = Address(host, port, tuple(names), look_only=True)
    address.check()
    figures = Figures(named, now=lambda: datetime.now(UTC), monotonic=time.monotonic)
    log.info("Figures for a collecting program: %s%s", address.url(), PATH.lstrip("/"))
    if host not in LOOPBACK:
        log.info("Whoever reaches that address may read them.")
    run(metrics_app(figures, hosts=address.hosts()), address)
