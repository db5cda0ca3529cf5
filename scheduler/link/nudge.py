"""Tell the daemon that a request lies in the store. Best effort: without it the daemon looks every second."""

from __future__ import annotations

import secrets
import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from scheduler.link.messages import topic

NUDGE_S_MAX = 2.0


def nudge(
    site_id: str,
    *,
    host: str,
    port: int,
    username: str | None = None,
    password: str | None = None,
    tls: bool = False,
    tls_ca_file: str | None = None,
    within_s: float = NUDGE_S_MAX,
) -> bool:
    """True when the broker took it within ``within_s``; never raises for a broker that is away."""
    end = time.monotonic() + within_s
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"fallinghead-nudge-{secrets.token_hex(4)}",
        protocol=mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    if username is not None:
        client.username_pw_set(username, password)
    if tls or tls_ca_file is not None:
        try:
            client.tls_set(ca_certs=tls_ca_file)
        except (OSError, ValueError):  # no such file, or no certificate: the daemon looks by itself
            return False
    client.connect_timeout = within_s
    up = threading.Event()
    client.on_connect = lambda _c, _d, _f, code, _p: None if code.is_failure else up.set()
    try:
        client.connect(host, port, keepalive=15)
        client.loop_start()
        if not up.wait(max(0.0, end - time.monotonic())):
            return False
        sent = client.publish(topic("nudge", site_id), b"1", qos=1, retain=False)
        sent.wait_for_publish(max(0.0, end - time.monotonic()))
        return sent.is_published()
    except (OSError, ValueError, RuntimeError):
        return False
    finally:
        client.disconnect()
        client.loop_stop()
