"""A small broker inside the process, for the practice garden. Never where safety is shown (DEVELOPERS.md).

Loopback only, no anonymous user, and an access list per user as in the real broker's configuration.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import socket
import tempfile
import threading
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from scheduler.link.messages import ROOT, TO_NODE
from scheduler.site.errors import LinkError

START_S_MAX = 10.0
LINGER_S = 0.1

log = logging.getLogger("fallinghead.practice_broker")


@dataclass(frozen=True, slots=True)
class Account:
    """A user of the broker; the password is drawn for this run alone."""

    username: str
    password: str
    may_publish: tuple[str, ...]
    may_read: tuple[str, ...]


def practice_accounts(site_id: str, node_id: str) -> tuple[Account, Account]:
    """The daemon's account and the node's."""
    to_node = tuple(f"{ROOT}/{node_id}/{kind}" for kind in TO_NODE)
    state, own_log = f"{ROOT}/{node_id}/state", f"{ROOT}/{node_id}/log"
    nudge, alert = f"{ROOT}/{site_id}/nudge", f"{ROOT}/{site_id}/alert"
    daemon = Account(
        "daemon", secrets.token_urlsafe(16), (*to_node, nudge, alert), (state, own_log, nudge, alert)
    )
    node = Account(node_id, secrets.token_urlsafe(16), (state, own_log), to_node)
    return daemon, node


class PracticeBroker:
    """``with PracticeBroker(accounts=...) as broker: ... broker.port``. Port 0 takes a free one."""

    def __init__(self, port: int = 0, *, accounts: Sequence[Account] = ()) -> None:
        self.host = "127.0.0.1"
        self.port = port
        self._accounts = tuple(accounts)
        self._ready = threading.Event()
        self._failure: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> PracticeBroker:
        if self.port == 0:
            with socket.socket() as probe:
                probe.bind((self.host, 0))
                self.port = int(probe.getsockname()[1])
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.ERROR)
        self._thread = threading.Thread(target=self._run, name="practice-broker", daemon=True)
        self._thread.start()
        if not self._ready.wait(START_S_MAX):
            raise LinkError("the practice broker did not start in time")
        if self._failure is not None:
            raise LinkError(f"the practice broker cannot listen on port {self.port}: {self._failure}")
        return self

    def stop(self) -> None:
        if self._loop is not None and self._stop is not None and self._loop.is_running():
            self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread is not None:
            self._thread.join(START_S_MAX)

    def _run(self) -> None:
        try:
            with warnings.catch_warnings():
                # amqtt warns about the only access-list key that it then accepts.
                warnings.simplefilter("ignore")
                asyncio.run(self._serve())
        except BaseException as error:
            self._failure = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker
        from amqtt.contexts import BrokerConfig, ListenerConfig
        from pwdlib import PasswordHash
        from pwdlib.hashers.argon2 import Argon2Hasher

        hasher = PasswordHash((Argon2Hasher(),))
        with tempfile.TemporaryDirectory() as folder:
            passwords = Path(folder) / "passwords"
            lines = [f"{a.username}:{hasher.hash(a.password)}\n" for a in self._accounts]
            passwords.write_text("".join(lines))
            config = BrokerConfig(
                listeners={"default": ListenerConfig(bind=f"{self.host}:{self.port}")},
                plugins={
                    "amqtt.plugins.authentication.FileAuthPlugin": {"password_file": str(passwords)},
                    "amqtt.plugins.topic_checking.TopicAccessControlListPlugin": {
                        "publish_acl": {a.username: list(a.may_publish) for a in self._accounts},
                        "acl": {a.username: list(a.may_read) for a in self._accounts},
                    },
                },
            )
            # amqtt loses a message, with a traceback on the terminal, when somebody subscribes while it is
            # handed out. Both sides repeat what matters, so that it belongs into a log.
            asyncio.get_running_loop().set_exception_handler(
                lambda _, context: log.debug("the practice broker: %s", context.get("exception") or context)
            )
            streams: list[asyncio.StreamWriter] = []

            class Remembering(Broker):  # type: ignore[misc]  # amqtt brings no types
                async def stream_connected(
                    self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
                ) -> None:
                    streams.append(writer)
                    await super().stream_connected(reader, writer, listener_name)

            broker = Remembering(config)
            await broker.start()
            self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
            self._ready.set()
            await self._stop.wait()
            await broker.shutdown()
            # Of two ends at once amqtt forgets one and leaves its socket open. A closed one is let go only in
            # later rounds of the loop.
            for stream in streams:
                stream.close()
            await asyncio.sleep(LINGER_S)

    def __enter__(self) -> PracticeBroker:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
