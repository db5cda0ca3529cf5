"""What every request passes before any route: the host's name, the method, the size, the rate, where it comes
from. And what every answer bears."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from html import escape
from typing import Any
from urllib.parse import urlsplit

from scheduler.web.limits import Rate

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY_BYTES_MAX = 64 * 1024
# A body has arrived whole within this, or the request is given up: a slow sender holds no place.
BODY_S = 10.0
# Requests worked on at a time; a stop is not counted.
AT_WORK_MAX = 20
METHODS = frozenset({"GET", "HEAD", "POST"})
STOP_PATH = "/stop"

# No inline script or style, nothing from elsewhere, no frame around us (OWASP ASVS 3.4.3, 3.4.6).
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode("ascii")),
    (b"x-content-type-options", b"nosniff"),
    # Not "no-referrer": with it browsers send the forms of the page itself as from nowhere (Origin: null).
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)
# A year (ASVS 3.4.1); only where the page itself speaks TLS.
HSTS = (b"strict-transport-security", b"max-age=31536000")


# All that a refusal is: without a template, for what makes it may be what is too much.
_REFUSAL = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    "<title>Not taken</title></head><body><main><h1>Not taken</h1><p>{said}</p></main></body></html>"
)


class Refused(Exception):
    """``status`` and words in plain text."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status
        self.text = text


class Guard:
    """ASGI around the page."""

    def __init__(
        self, app: App, *, hosts: Iterable[str], rate: Rate, tls: bool, has_stop: bool = True
    ) -> None:
        """``has_stop`` False: there is nothing to stop here, and no path passes the limits by."""
        self._app = app
        self._stop_path = STOP_PATH if has_stop else None
        self._hosts = frozenset(h.lower() for h in hosts)
        self._rate = rate
        self._tls = tls
        self._at_work = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here
        dressed = self._dressed(send, static=scope["path"].startswith("/static/"))
        try:
            self._check(scope)
            await self._work(scope, Measured(receive), dressed)
        except Refused as refused:
            await _say(dressed, refused)

    async def _work(self, scope: Scope, receive: Measured, send: Send) -> None:
        if scope["path"] == self._stop_path:
            await self._app(scope, receive, send)
            return
        if self._at_work >= AT_WORK_MAX:
            raise Refused(503, f"Too much at a time; try again in a moment.{self._but_stop()}")
        self._at_work += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self._at_work -= 1

    def _check(self, scope: Scope) -> None:
        headers = {k.lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host = headers.get(b"host", "")
        if _name_of(host) not in self._hosts:
            raise Refused(421, "This page does not answer to that name; see --name of fallinghead page.")
        if scope["method"] not in METHODS:
            raise Refused(405, "This page takes GET and POST only.")
        if scope["path"] != self._stop_path and not self._rate.takes(address_of(scope)):
            raise Refused(429, f"Too many requests; wait a minute.{self._but_stop()}")
        if not _length_fits(headers.get(b"content-length")):
            raise Refused(413, "Too much was sent.")
        if scope["method"] == "POST":
            _check_origin(headers, host)

    def _but_stop(self) -> str:
        return " A stop is taken at any time." if self._stop_path else ""

    def _dressed(self, send: Send, *, static: bool) -> Send:
        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = list(message.get("headers", []))
                have = {k.lower() for k, _ in own}
                if not static and b"cache-control" not in have:
                    own.append((b"cache-control", b"no-store"))
                own += [h for h in HEADERS if h[0] not in have]
                if self._tls:
                    own.append(HSTS)
                message = {**message, "headers": own}
            await send(message)

        return dressed


class Measured:
    """Receives no more than the limit, whatever the length was said to be, and waits for it no longer."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._bytes = 0
        self._whole = False
        self._until_s = asyncio.get_running_loop().time() + BODY_S

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()
        try:
            left_s = self._until_s - asyncio.get_running_loop().time()
            message = await asyncio.wait_for(self._receive(), max(0.0, left_s))
        except TimeoutError:
            raise Refused(408, "It took too long to arrive.") from None
        self._whole = not message.get("more_body", False)
        self._bytes += len(message.get("body", b""))
        if self._bytes > BODY_BYTES_MAX:
            raise Refused(413, "Too much was sent.")
        return message


def address_of(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def _name_of(host: str) -> str:
    """Without its port."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _place_of(origin: str) -> str | None:
    """Host and port of an origin; None: it is none."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return None


def _length_fits(length: str | None) -> bool:
    return length is None or (length.isascii() and length.isdigit() and int(length) <= BODY_BYTES_MAX)


def _check_origin(headers: MutableMapping[bytes, str], host: str) -> None:
    """A change comes from a page of ours. Browsers say so in one or two headers (ASVS 3.5.1, 3.5.3)."""
    site = headers.get(b"sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        raise Refused(403, "This was sent by another site.")
    origin = headers.get(b"origin")
    if origin is not None and _place_of(origin) != host.lower():
        raise Refused(403, "This was sent by another site.")


async def _say(send: Send, refused: Refused) -> None:
    body = _REFUSAL.format(said=escape(refused.text)).encode("utf-8")
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
