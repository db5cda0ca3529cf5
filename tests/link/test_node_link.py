"""The daemon's link and the node's loop over a real Mosquitto."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event as Flag
from threading import Thread
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from firmware_stub.node_loop import NodeLoop
from firmware_stub.practice_board import CallBoard
from scheduler.control.effects import SendAsk, SendClose, SendOrder, SendReceipt
from scheduler.control.events import LinkChanged
from scheduler.control.orders import Order
from scheduler.link.asyncapi import asyncapi_document
from scheduler.link.messages import encode_order
from scheduler.link.nudge import nudge
from scheduler.link.practice_broker import PracticeBroker, practice_accounts
from tests.link.link_ends import KEY, Ends, ended, until
from tests.support.broker import MosquittoProcess, free_port


@contextmanager
def node_on(port: int, **broker: str) -> Iterator[NodeLoop]:
    place = {"at": 0.0, "when": time.monotonic()}

    def respond(asked: dict[str, Any]) -> dict[str, Any]:
        now = time.monotonic()
        passed, place["when"] = now - place["when"], now
        step = {"open": passed, "close": -passed}.get(asked["motor"].get("0"), 0.0) / 0.3
        place["at"] = min(1.0, max(0.0, place["at"] + step))
        return {"switches": [[place["at"] >= 1, place["at"] <= 0]], "pings": [8000] * 5, "supply_mv": 12000}

    settings = {
        "node": "shed", "key": KEY.hex(), "tick_ms": 10,
        "broker": {"host": "127.0.0.1", "port": port, **broker},
    }  # fmt: skip
    loop = NodeLoop(settings, CallBoard(respond, 1, KEY))
    leaving = Flag()

    def run() -> None:
        loop.start()
        while not leaving.is_set():
            loop.step()
        loop.client.disconnect()

    thread = Thread(target=run, daemon=True)
    thread.start()
    yield loop
    leaving.set()
    thread.join(5)


def test_an_order_runs_is_reported_until_receipted_and_a_nudge_arrives(mosquitto: MosquittoProcess) -> None:
    with node_on(mosquitto.port), Ends(mosquitto.port) as ends:
        ends.link.send(SendOrder(ends.order(1, 700)))
        until(lambda: ended(ends, "o-1"))
        ends.link.send(SendReceipt(("o-1",)))
        ends.link.send(SendAsk())
        until(lambda: ends.heard is not None and not ends.heard.outcomes)
        assert nudge("garden", host="127.0.0.1", port=mosquitto.port)
        assert ends.nudged.wait(5)
    assert ends.trouble == [] and ends.link.unsent == 0


def test_a_broker_killed_in_mid_run_does_not_keep_the_valve_open(mosquitto: MosquittoProcess) -> None:
    with node_on(mosquitto.port) as loop, Ends(mosquitto.port) as ends:
        ends.link.send(SendOrder(ends.order(1, 1500)))
        until(lambda: loop.node.valves[0].position == "open")
        mosquitto.kill()
        until(lambda: LinkChanged(connected=False) in ends.events)
        ends.link.send(SendOrder(Order("shed", "s", 2, "o-2", 1, 1000, 1 << 40)))
        assert ends.link.unsent == 1  # an order is never kept for later
        until(lambda: loop.node.valves[0].position == "closed")
        mosquitto.start()
        until(lambda: ended(ends, "o-1"))
        assert ends.heard is not None and ends.heard.refused_total == 0


def test_a_planted_retained_order_is_refused(mosquitto: MosquittoProcess) -> None:
    planter = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    planter.connect("127.0.0.1", mosquitto.port)
    planter.loop_start()
    frame = encode_order(Order("shed", "s", 1, "o-9", 1, 1000, 1 << 40), KEY)
    planter.publish("fallinghead/shed/order", frame, qos=1, retain=True).wait_for_publish(5)
    planter.disconnect()
    planter.loop_stop()
    with Ends(mosquitto.port) as ends, node_on(mosquitto.port) as loop:
        until(lambda: ends.heard is not None and ends.heard.refused_total == 1)
        assert loop.node.valves[0].run is None


def test_a_close_closes(mosquitto: MosquittoProcess) -> None:
    with node_on(mosquitto.port) as loop, Ends(mosquitto.port) as ends:
        ends.link.send(SendOrder(ends.order(1, 60_000)))
        until(lambda: loop.node.valves[0].position == "open")
        ends.link.send(SendClose(None))
        until(lambda: ended(ends, "o-1"))
        until(lambda: loop.node.valves[0].position == "closed")


def test_a_recorded_state_of_an_old_session_is_not_believed(mosquitto: MosquittoProcess) -> None:
    recorded: list[bytes] = []
    spy = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    spy.on_message = lambda _c, _d, m: recorded.append(bytes(m.payload))
    spy.connect("127.0.0.1", mosquitto.port)
    spy.subscribe("fallinghead/shed/state", 1)
    spy.loop_start()
    with node_on(mosquitto.port), Ends(mosquitto.port) as first:
        until(lambda: first.heard)
    with Ends(mosquitto.port) as ends:
        until(lambda: ends.link.connected)
        for frame in tuple(recorded):
            spy.publish("fallinghead/shed/state", frame, qos=1).wait_for_publish(5)
        time.sleep(0.5)
        assert recorded and ends.heard is None
    spy.disconnect()
    spy.loop_stop()


def test_a_broker_that_is_away_is_told_once_and_never_raises() -> None:
    port = free_port()
    with Ends(port) as ends:
        until(lambda: ends.trouble)
        ends.link.send(SendClose(None))
    assert f":{port}" in ends.trouble[0] and ends.link.unsent == 1
    assert not nudge("garden", host="127.0.0.1", port=port, within_s=1)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_practice_broker_serves_daemon_and_node_with_passwords() -> None:
    daemon, node = practice_accounts("garden", "shed")
    with (
        PracticeBroker(accounts=(daemon, node)) as broker,
        node_on(broker.port, username=node.username, password=node.password),
        Ends(broker.port, username=daemon.username, password=daemon.password) as ends,
    ):
        ends.link.send(SendOrder(ends.order(1, 500)))
        until(lambda: ended(ends, "o-1"))
        with Ends(broker.port, username="daemon", password="wrong") as stranger:
            until(lambda: stranger.trouble)
            assert not stranger.link.connected


def test_every_reference_in_the_asyncapi_document_resolves() -> None:
    document = asyncapi_document()

    def walk(value: Any) -> Iterator[str]:
        if isinstance(value, dict):
            if isinstance(value.get("$ref"), str):
                yield value["$ref"]
            for inner in value.values():
                yield from walk(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from walk(inner)

    for reference in set(walk(document)):
        found: Any = document
        for part in reference.removeprefix("#/").split("/"):
            found = found[part]
    assert document["asyncapi"] == "3.0.0" and set(document["channels"]) >= {"order", "state", "close"}
