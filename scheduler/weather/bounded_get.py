"""One HTTP GET that can neither hang, nor flood, nor be led astray."""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from threading import Event, Lock, Thread
from types import MappingProxyType
from urllib.parse import SplitResult, urljoin, urlsplit

import requests

from scheduler.site.errors import WeatherUnavailable

Clock = Callable[[], float]

# From first look-up to last byte.
TOTAL_S = 10.0
CONNECT_S = 3.0
# Silence between two reads; the total holds a drip.
READ_S = 4.0
# Before and after unpacking.
MAX_BYTES = 256 * 1024
MAX_REDIRECTS = 2
CHUNK_BYTES = 16 * 1024
# Calls given up on may linger in the system's name look-up; past so many no more are begun.
MAX_LINGERING = 3
# What a polite caller needs to know of an answer besides its body.
KEPT_HEADERS = ("Last-Modified", "Expires", "Retry-After")
HEADER_CHARACTERS = 100
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
REDIRECTS = frozenset({301, 302, 303, 307, 308})


class TransferFailed(WeatherUnavailable):
    """No usable answer. ``transient``: the same call may work in a moment."""

    def __init__(self, text: str, *, transient: bool) -> None:
        super().__init__(text)
        self.transient = transient


class CertificateRefused(TransferFailed):
    """The server's certificate is not valid *by our clock*: the clock may be what is wrong."""


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    content_type: str  # lower case, without parameters
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)  # those of KEPT_HEADERS that came


@dataclass(slots=True)
class BoundedGet:
    """Makes calls, each in a thread of its own so that its caller is free after ``total_s`` whatever happens.

    ``clock`` is monotonic, in seconds.
    """

    user_agent: str
    clock: Clock = time.monotonic
    total_s: float = TOTAL_S
    connect_s: float = CONNECT_S
    read_s: float = READ_S
    max_bytes: int = MAX_BYTES
    _lingering: int = 0
    _lock: Lock = field(default_factory=Lock)

    def get(
        self, url: str, params: Mapping[str, str], headers: Mapping[str, str] = MappingProxyType({})
    ) -> Answer:
        """Raises TransferFailed. The status is the caller's to judge; redirects are followed here."""
        _check_address(urlsplit(url))
        with self._lock:
            if self._lingering >= MAX_LINGERING:
                raise TransferFailed("earlier calls still hang in the network", transient=False)
            self._lingering += 1
        call = _Call(self, self.clock() + self.total_s, headers)
        Thread(target=self._work, args=(call, url, params), daemon=True, name="weather").start()
        try:
            outcome = call.outcome.get(timeout=self.total_s)
        except Empty:
            call.given_up.set()
            raise _too_slow(self.total_s) from None
        if isinstance(outcome, Answer):
            return outcome
        raise outcome

    def _work(self, call: _Call, url: str, params: Mapping[str, str]) -> None:
        try:
            call.outcome.put(call.follow(url, params))
        except TransferFailed as error:
            call.outcome.put(error)
        except Exception as error:  # the caller waits: whatever it is, it must hear of it
            call.outcome.put(_explained(error, self.total_s))
        finally:
            with self._lock:
                self._lingering -= 1


@dataclass(slots=True)
class _Call:
    settings: BoundedGet
    deadline: float
    headers: Mapping[str, str]
    outcome: SimpleQueue[Answer | TransferFailed] = field(default_factory=SimpleQueue)
    given_up: Event = field(default_factory=Event)

    def follow(self, url: str, params: Mapping[str, str]) -> Answer:
        """The answer at the end of at most MAX_REDIRECTS redirects, all on the same server."""
        first = urlsplit(url)
        with requests.Session() as session:
            # A proxy is for the outer world; and nothing reads a login from a file for a local server.
            session.trust_env = first.hostname not in LOOPBACK
            for _ in range(MAX_REDIRECTS + 1):
                with self._ask(session, url, params) as response:
                    if response.status_code not in REDIRECTS:
                        body = self._body(response)
                        return Answer(response.status_code, _content_type(response), body, _kept(response))
                    url, params = urljoin(url, response.headers.get("Location", "")), {}
                _check_redirect(first, urlsplit(url))
        raise TransferFailed(f"it redirects more than {MAX_REDIRECTS} times", transient=False)

    def _ask(self, session: requests.Session, url: str, params: Mapping[str, str]) -> requests.Response:
        left_s = self._left_s()
        return session.get(
            url,
            params=dict(params),
            headers={
                "User-Agent": self.settings.user_agent,
                "Accept": "application/json",
                "Accept-Encoding": "gzip",
                **self.headers,
            },
            stream=True,
            allow_redirects=False,
            timeout=(min(self.settings.connect_s, left_s), min(self.settings.read_s, left_s)),
        )

    def _left_s(self) -> float:
        left_s = self.deadline - self.settings.clock()
        if left_s <= 0.0 or self.given_up.is_set():
            raise _too_slow(self.settings.total_s)
        return left_s

    def _body(self, response: requests.Response) -> bytes:
        """The unpacked body. Reads what has come, so that the deadline is looked at between any two bytes."""
        length = response.headers.get("Content-Length", "")
        most = self.settings.max_bytes
        if length.isdigit() and int(length) > most:
            raise _too_large(most)
        unpack = _unpacker(response.headers.get("Content-Encoding", ""))
        taken, body = 0, bytearray()
        while True:
            self._left_s()
            packed = response.raw.read1(CHUNK_BYTES, decode_content=False)
            if not packed:
                return bytes(body)
            taken += len(packed)
            body += unpack(packed, most - len(body) + 1)
            if taken > most or len(body) > most:
                raise _too_large(most)


def _unpacker(encoding: str) -> Callable[[bytes, int], bytes]:
    """Turns a piece as sent into at most so many bytes of the body."""
    if encoding in ("", "identity"):
        return lambda packed, _: packed
    if encoding != "gzip":
        raise TransferFailed(f"its body is packed as {encoding[:20]!r}, not gzip", transient=False)
    return zlib.decompressobj(16 + zlib.MAX_WBITS).decompress


def _content_type(response: requests.Response) -> str:
    return response.headers.get("Content-Type", "").partition(";")[0].strip().lower()


def _kept(response: requests.Response) -> dict[str, str]:
    return {
        name: value
        for name in KEPT_HEADERS
        if (value := response.headers.get(name)) is not None and len(value) <= HEADER_CHARACTERS
    }


def _check_address(address: SplitResult) -> None:
    if address.scheme != "https" and not (address.scheme == "http" and address.hostname in LOOPBACK):
        raise TransferFailed("its address is not https", transient=False)


def _check_redirect(first: SplitResult, then: SplitResult) -> None:
    _check_address(then)
    if (then.scheme, then.hostname, then.port) != (first.scheme, first.hostname, first.port):
        raise TransferFailed(
            f"it redirects to another server, {str(then.hostname)[:60]}; "
            "a network with a login page does that: log in, or use another network",
            transient=False,
        )


def _too_slow(total_s: float) -> TransferFailed:
    return TransferFailed(f"it did not finish within {total_s:g} s", transient=True)


def _too_large(most: int) -> TransferFailed:
    return TransferFailed(f"its answer is larger than {most // 1024} kB", transient=False)


def _explained(error: Exception, total_s: float) -> TransferFailed:
    """A foreign error in plain words. Its own text is left out: it holds addresses and object names."""
    match error:
        case requests.exceptions.SSLError():
            return CertificateRefused(
                "its certificate is not accepted; check that this machine's clock is right, "
                "and that the network does not read along",
                transient=False,
            )
        case requests.exceptions.ConnectTimeout():
            return TransferFailed("it could not be reached in time; check the network", transient=True)
        case requests.exceptions.Timeout():
            return _too_slow(total_s)
        case requests.exceptions.ConnectionError():
            return TransferFailed(
                "it cannot be reached; check the network and its name server", transient=True
            )
        case zlib.error():
            return TransferFailed("its body is not the gzip it says", transient=False)
    return TransferFailed(f"the transfer broke off ({type(error).__name__})", transient=True)
