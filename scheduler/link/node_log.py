"""Ask a valve node for its own log of refusals and faults, beside the running service.

Such an ask changes nothing at the node.
"""

from __future__ import annotations

import secrets
import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from scheduler.link.messages import LogMessage, encode_ask, read_log, topic
from scheduler.link.signing import UntrustedMessageError
from scheduler.site.errors import LinkError

ANSWER_S_MAX = 10.0
# An ask may fall between two connections of the node: it is repeated.
ASK_AGAIN_S = 2.0


def ask_log(
    node: str,
    key: bytes,
    *,
    host: str,
    port: int,
    username: str | None = None,
    password: str | None = None,
    tls_ca_file: str | None = None,
    within_s: float = ANSWER_S_MAX,
) -> LogMessage:
    """The log, authentic and of now: it echoes a challenge drawn here. LinkError when none comes in time."""
    challenge = secrets.token_hex(8)
    found: list[LogMessage] = []
    up, done = threading.Event(), threading.Event()

    def take(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            read = read_log(bytes(message.payload), key, node)
        except UntrustedMessageError:
            return
        if read.challenge == challenge:
            found.append(read)
            done.set()

    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"fallinghead-log-{secrets.token_hex(4)}",
        protocol=mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    if username is not None:
        client.username_pw_set(username, password)
    if tls_ca_file is not None:
        client.tls_set(ca_certs=tls_ca_file)
    client.connect_timeout = within_s
    client.on_message = take
    client.on_connect = lambda c, _d, _f, code, _p: (
        None if code.is_failure else c.subscribe(topic("log", node), 1)
    )
    client.on_subscribe = lambda *_rest: up.set()
    end = time.monotonic() + within_s
    try:
        client.connect(host, port, keepalive=15)
        client.loop_start()
        if not up.wait(max(0.0, end - time.monotonic())):
            raise LinkError(f"the broker at {host}:{port} did not let {username!r} in; look at its log")
        while not done.is_set() and time.monotonic() < end:
            client.publish(topic("ask", node), encode_ask(node, challenge, key, log=True), qos=1)
            done.wait(min(ASK_AGAIN_S, max(0.0, end - time.monotonic())))
    except OSError as error:
        raise LinkError(f"no connection to the broker at {host}:{port}: {error}") from error
    finally:
        client.disconnect()
        client.loop_stop()
    if not found:
        raise LinkError(
            f"node {node!r} did not answer within {within_s:g} s: is it on, is its key the one here, does "
            "its program keep a log?"
        )
    return found[0]
