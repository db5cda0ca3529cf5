"""The daemon's connection to the broker.

Each connection is a new paho client, because paho keeps a QoS 1 message that was published while offline and
sends it after reconnecting, as a stale order. Nothing is ever handed to a client that is not connected, and a
client whose connection ended is thrown away with whatever was left in it.
"""

from __future__ import annotations

import contextlib
import random
import secrets
import socket
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from scheduler.control.effects import Alert, SendAsk, SendClose, SendOrder, SendReceipt
from scheduler.control.events import Event, LinkChanged
from scheduler.link.freshness import Freshness
from scheduler.link.messages import (
    alert_json,
    encode_ask,
    encode_close,
    encode_order,
    encode_receipts,
    heard,
    read_state,
    topic,
)
from scheduler.link.rain_gauge import rain_topic, read_tips
from scheduler.link.signing import STATE_BYTES_MAX, UntrustedMessageError
from scheduler.site.errors import LinkError
from scheduler.site.model import Site

# A silent connection is found dead within 1.5 to 2 times this (Mosquitto, measured).
KEEP_ALIVE_S = 15
CONNECT_S_MAX = 5.0
BACK_OFF_S_MIN = 0.5
BACK_OFF_S_MAX = 30.0
# A node that floods unknown sessions is asked no more often than this.
ASK_GAP_S = 1.0
# An ask that nothing answered is repeated.
ASK_AGAIN_S = 15.0
STOP_S_MAX = 5.0
# A connection that held so long starts the back-off afresh; a shorter one flaps.
STEADY_S = 10.0
# As long as the connection holds, paho may keep so many messages unsent.
QUEUE_MAX = 50

Send = SendOrder | SendClose | SendAsk | SendReceipt


def _nonce() -> str:
    return secrets.token_hex(8)


class NodeLink:
    """The valve node of one site, over MQTT. ``on_event`` and the rest are called from the link's thread.

    ``send`` may be called from any thread. What cannot be sent now is dropped and counted in ``unsent``:
    an order is never kept for later. ``on_trouble`` gets one line for the log about a message or a connection
    that was refused; it never holds a secret.
    """

    def __init__(
        self,
        site: Site,
        key: bytes,
        *,
        on_event: Callable[[Event], None],
        host: str | None = None,
        port: int | None = None,
        username: str | None = None,
        password: str | None = None,
        on_nudge: Callable[[], None] | None = None,
        on_rain: Callable[[int, datetime], None] | None = None,
        on_trouble: Callable[[str], None] | None = None,
        tls_ca_file: str | None = None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        draw: Callable[[], str] = _nonce,
    ) -> None:
        self._site = site
        self._node = site.node.id
        self._state_topic = topic("state", site.node.id)
        self._nudge_topic = topic("nudge", site.id)
        self._rain_topic = rain_topic(site.id)
        self._key = key
        self._host = host or site.broker.host
        self._port = port or site.broker.port
        self._username, self._password = username, password
        self._tls = site.broker.tls or tls_ca_file is not None
        self._tls_ca_file = tls_ca_file
        self._on_event = on_event
        self._on_nudge = on_nudge or (lambda: None)
        self._on_rain = on_rain
        self._on_trouble = on_trouble or (lambda _text: None)
        self._now = now
        self._draw = draw
        self._lock = threading.RLock()
        self._client: mqtt.Client | None = None
        self._up = False
        self._fresh = Freshness(draw)
        self._asked_at = 0.0
        self._asked_for: str | None = None
        self._sent: tuple[str, int] | None = None  # session and sequence of the last order
        self._leaving = threading.Event()
        self._thread: threading.Thread | None = None
        self._trouble = ""
        self.unsent = 0
        self.untrusted = 0

    # --- life

    @property
    def connected(self) -> bool:
        return self._up

    def start(self) -> None:
        """Connects in its own thread and keeps trying; returns at once."""
        if self._thread is not None:
            raise LinkError("this link was started already")
        self._leaving.clear()
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Disconnects after what was sent has gone out; no callback comes after it returns."""
        self._leaving.set()
        with self._lock:
            if self._client is not None:
                with contextlib.suppress(Exception):
                    self._client.disconnect()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(STOP_S_MAX + CONNECT_S_MAX)
        self._thread = None

    def _run(self) -> None:
        wait_s = BACK_OFF_S_MIN
        told = ""
        while not self._leaving.is_set():
            began = time.monotonic()
            self._trouble = ""
            self._once()
            if time.monotonic() - began > STEADY_S:
                wait_s, told = BACK_OFF_S_MIN, ""
            if self._trouble and self._trouble != told:
                told = self._trouble
                self._on_trouble(told)
            if self._leaving.wait(wait_s * random.uniform(0.5, 1.0)):  # noqa: S311 - jitter, not a secret
                return
            wait_s = min(BACK_OFF_S_MAX, wait_s * 2)

    def _once(self) -> None:
        """One connection from start to end."""
        ended = threading.Event()
        client = self._new_client(ended)
        try:
            client.connect(self._host, self._port, keepalive=KEEP_ALIVE_S)
        except (OSError, ValueError) as error:
            self._trouble = f"no connection to the broker at {self._host}:{self._port}: {error}"
            return
        with self._lock:
            self._client = client
        client.loop_start()
        if self._leaving.is_set() or not self._answered(ended):
            client.disconnect()
        while not ended.wait(0.2):
            if self._leaving.is_set():
                ended.wait(STOP_S_MAX)  # not for ever: a dead socket swallows even the farewell
                break
            if self._up and self._fresh.asking and time.monotonic() - self._asked_at > ASK_AGAIN_S:
                self._ask()
        client.loop_stop()
        with self._lock:
            was_up, self._up, self._client = self._up, False, None
        if was_up:
            self._on_event(LinkChanged(connected=False))

    def _answered(self, ended: threading.Event) -> bool:
        """False when the broker took the connection but never said whether we may."""
        end = time.monotonic() + CONNECT_S_MAX
        while time.monotonic() < end:
            if self._up or ended.wait(0.02):
                return True
        self._trouble = f"the broker at {self._host}:{self._port} does not answer"
        return False

    def _new_client(self, ended: threading.Event) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"fallinghead-{self._site.id}",
            clean_session=True,
            protocol=mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_S_MAX
        client.max_queued_messages_set(QUEUE_MAX)
        if self._username is not None:
            client.username_pw_set(self._username, self._password)
        if self._tls:
            client.tls_set(ca_certs=self._tls_ca_file)
        client.on_connect = self._connected
        client.on_message = self._message
        client.on_disconnect = lambda *_rest: ended.set()
        client.on_socket_open = _at_once
        return client

    # --- from paho, in the link's thread

    def _connected(
        self, client: mqtt.Client, _data: Any, _flags: Any, code: ReasonCode, _props: Properties | None
    ) -> None:
        if code.is_failure:
            self._trouble = f"the broker at {self._host}:{self._port} refused {self._username!r}: {code}"
            return
        client.subscribe([(self._state_topic, 1), (self._nudge_topic, 1)])
        if self._on_rain is not None:
            client.subscribe(self._rain_topic, 1)
        with self._lock:
            self._up = True
            self._fresh.forget()
            self._sent = None
        self._on_event(LinkChanged(connected=True))
        self._ask()

    def _message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        where = message.topic  # paho decodes it at each look
        if where == self._state_topic:
            self._state(message)
        elif where == self._nudge_topic:
            self._on_nudge()
        elif where == self._rain_topic and self._on_rain is not None:
            tips = None if message.retain else read_tips(bytes(message.payload))
            if tips is None:  # a retained count is of nobody knows when
                self._distrust("a rain gauge's count that was retained or is none")
            else:
                self._on_rain(tips, self._now())

    def _state(self, message: mqtt.MQTTMessage) -> None:
        if message.retain or len(message.payload) > STATE_BYTES_MAX:
            self._distrust("a state that was retained or is too long")
            return
        try:
            state = read_state(bytes(message.payload), self._key, self._node)
        except UntrustedMessageError as error:
            self._distrust(str(error))
            return
        with self._lock:
            verdict = self._fresh.take(state)
        if verdict == "fresh":
            self._on_event(heard(state, self._now()))
        elif verdict == "unconfirmed":
            self._ask(state.session)

    def _distrust(self, text: str) -> None:
        self.untrusted += 1
        self._on_trouble(f"refused {text}")

    # --- to the node

    def _ask(self, session: str | None = None) -> None:
        """``session``: the unknown one that made us ask; the same one is asked once a second at the most."""
        with self._lock:
            soon = time.monotonic() - self._asked_at < ASK_GAP_S
            if session is not None and session == self._asked_for and soon:
                return
            self._asked_at, self._asked_for = time.monotonic(), session
            challenge = self._fresh.challenge()
        self._publish("ask", encode_ask(self._node, challenge, self._key))

    def send(self, effect: Send) -> None:
        """Hand one message to the broker, or drop it when there is no connection."""
        if isinstance(effect, SendOrder):
            self._send_order(effect)
        elif isinstance(effect, SendClose):
            self._send_close(effect)
        elif isinstance(effect, SendAsk):
            self._ask()
        else:
            for frame in encode_receipts(self._node, effect.order_ids, self._key):
                self._publish("receipt", frame)

    def _send_order(self, effect: SendOrder) -> None:
        order = effect.order
        frame = encode_order(order, self._key)
        with self._lock:
            self._sent = (order.session, order.sequence)
        self._publish("order", frame)

    def _send_close(self, effect: SendClose) -> None:
        with self._lock:
            session, sequence = self._sent or (None, 0)
        frame = encode_close(
            self._node,
            effect.channel,
            self._key,
            nonce=self._draw(),
            session=session,
            after_sequence=sequence,
        )
        self._publish("close", frame)

    def publish_alert(self, alert: Alert, *, cleared: bool = False) -> None:
        """On the alert topic, for whoever listens."""
        self._publish_to(topic("alert", self._site.id), alert_json(self._site.id, alert, cleared=cleared))

    def _publish(self, kind: str, frame: bytes) -> None:
        self._publish_to(topic(kind, self._node), frame)

    def _publish_to(self, where: str, payload: bytes) -> None:
        with self._lock:
            client = self._client
            if client is None or not self._up or not client.is_connected():
                self.unsent += 1
                return
            client.publish(where, payload, qos=1, retain=False)


def _at_once(_client: mqtt.Client, _data: Any, opened: Any) -> None:
    """A stop behind another small message does not wait some 40 ms for the answer to that one (RFC 896)."""
    with contextlib.suppress(OSError):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
