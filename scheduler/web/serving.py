"""The page as a process: TLS or loopback, or only to look at; limits of connections and of waiting."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from scheduler.report.round_gardens import round_gardens
from scheduler.service.places import site_store_path
from scheduler.service.practised import practice_ended
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.web.app import make_app, make_office
from scheduler.web.facts import Garden
from scheduler.web.guard import App
from scheduler.web.keys import CODE_FOR, Keys

PORT = 8417  # not among the ports that IANA has registered for a service (from memory)
# A browser sends its headers at once; who does not within this holds a place for nothing.
HEADERS_S = 5.0
KEEP_ALIVE_S = 5
# In all, and of them for one address: a phone's browser opens six, and whoever holds as many as he may leaves
# room for a stop of the others.
CONNECTIONS_MAX, ADDRESS_MAX = 60, 20
# RFC 9325 4.2: below TLS 1.3 only AEAD with a fresh key for each session (1.3 knows no others).
CIPHERS = "ECDHE+AESGCM"
LOOPBACK = ("127.0.0.1", "::1", "localhost")

log = logging.getLogger("fallinghead.page")


@dataclass(frozen=True, slots=True)
class Address:
    """Where the page listens and under which names it answers."""

    host: str = "127.0.0.1"
    port: int = PORT
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    look_only: bool = False

    @property
    def tls(self) -> bool:
        return self.certificate is not None

    def check(self) -> None:
        """UsageError where a password would cross a network in the clear."""
        if (self.certificate is None) != (self.key is None):
            raise UsageError("a certificate and its key go together: --certificate FILE --key FILE")
        for file in (self.certificate, self.key):
            if file is not None and not file.is_file():
                raise UsageError(f"there is no file {file}")
        if self.tls or self.look_only or self.host in LOOPBACK:
            return
        raise UsageError(
            f"{self.host} is reached from other machines, and without TLS a password would cross the network "
            "in the clear. Give --certificate and --key; or --look-only, then the page can be looked at and "
            "stopped by everybody who reaches it, and nothing else; or leave --host away for this machine"
        )

    def hosts(self) -> tuple[str, ...]:
        """The names that a browser may call it by."""
        own = [*LOOPBACK, *self.names]
        try:
            if not ipaddress.ip_address(self.host).is_unspecified:
                own.append(self.host)
        except ValueError:
            own.append(self.host)
        if not self.names:
            own += [socket.gethostname(), f"{socket.gethostname()}.local"]
        return tuple(dict.fromkeys(own))

    def url(self) -> str:
        scheme = "https" if self.tls else "http"
        name = self.names[0] if self.names else self.host
        return f"{scheme}://{name}:{self.port}/"


def keys_of(site: Site) -> Keys:
    store = site_store_path(site.id)
    store.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
    return Keys(store.with_name(f"{site.id}.page.json"), lambda: datetime.now(UTC))


def office_keys(round_file: Path) -> Keys:
    """Of a round file's page, beside the stores of this machine; its name is none that a garden can have."""
    folder = site_store_path("office").parent
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    mark = sha256(str(round_file.resolve()).encode()).hexdigest()[:12]  # two may be called round.toml
    return Keys(folder / f"round.{round_file.stem}.{mark}.page.json", lambda: datetime.now(UTC))


def office_title(round_file: Path) -> str:
    """By the name of the file, which is mostly just that."""
    return "The round" if round_file.stem == "round" else f"Round: {round_file.stem}"


def serve_office(round_file: Path, address: Address) -> None:
    """Serve the page of a round alone until SIGTERM or SIGINT. UsageError: the address will not do, or the
    file leads to no garden."""
    address.check()
    if address.look_only:
        raise UsageError(
            "a round shows other people's gardens: it is never open to everybody; leave --look-only"
        )
    named = (str(round_file),)
    round_gardens(named)
    keys = office_keys(round_file)
    app = make_office(
        office_title(round_file),
        named,
        keys,
        hosts=address.hosts(),
        tls=address.tls,
        now=lambda: datetime.now(UTC),
    )
    log.info("The page of the round %s: %s", round_file, address.url())
    if not keys.has_password:
        log.info("%s", code_words(keys, address))
    run(app, address)


def code_words(keys: Keys, address: Address) -> str:
    minutes = CODE_FOR.seconds // 60
    return (
        f"First-start code: {keys.new_code()} (once, within {minutes} min). Enter it at {address.url()}first"
    )


def serve_page(site: Site, address: Address, round_of: Sequence[str] = ()) -> None:
    """Serve until SIGTERM or SIGINT. UsageError: the address will not do, or leads to no garden of the
    round."""
    address.check()
    if round_of:
        round_gardens(round_of)
    keys = keys_of(site)
    ended = practice_ended()
    garden = Garden(site, now=(lambda: ended) if ended is not None else None)
    garden.look()  # so that the first visitor does not wait for what is made once
    app = make_app(
        garden, keys, hosts=address.hosts(), tls=address.tls, look_only=address.look_only, round_of=round_of
    )
    log.info("The page of %s: %s", site.name, address.url())
    if address.look_only:
        log.info("Only to look at and to stop: whoever reaches it may.")
    elif not keys.has_password:
        log.info("%s", code_words(keys, address))
    run(app, address)


def run(app: App, address: Address) -> None:
    """Serve an application until SIGTERM or SIGINT, within the limits of connections and of waiting."""
    end_slow_handshakes()
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # its greetings say nothing of the garden
    uvicorn.Server(config_of(app, address)).run()


def end_slow_handshakes() -> None:
    """A connection that does not speak TLS is ended as one that does not ask is.

    The server has no setting for it: before the handshake it has not heard of the connection, and asyncio
    waits for a minute.
    """
    asyncio.constants.SSL_HANDSHAKE_TIMEOUT = HEADERS_S  # type: ignore[attr-defined]


def config_of(app: App, address: Address) -> uvicorn.Config:
    """How it is served."""
    return uvicorn.Config(
        app,
        host=address.host,
        port=address.port,
        http=Impatient,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=CONNECTIONS_MAX,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=5,
        ssl_certfile=address.certificate,
        ssl_keyfile=str(address.key) if address.key else None,
        ssl_ciphers=CIPHERS,
    )


class Impatient(H11Protocol):
    """Ends a connection that does not send its headers in time, for which the server alone would wait for
    ever, and one of an address that has as many as it may."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self._of_one_address() > ADDRESS_MAX:
            transport.abort()
            return
        self._arm()

    def _of_one_address(self) -> int:
        """Connections of this one's address, itself among them."""
        mine = self.client[0] if self.client is not None else None
        others = (c.client for c in self.connections if isinstance(c, Impatient))
        return sum(c is not None and c[0] == mine for c in others)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._disarm()
        elif self._timer is None:
            self._arm()

    def connection_lost(self, exc: Exception | None) -> None:
        self._disarm()
        super().connection_lost(exc)

    def _arm(self) -> None:
        self._timer = self.loop.call_later(HEADERS_S, self.transport.close)

    def _disarm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
