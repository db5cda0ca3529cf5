"""The daemon's link and the node's loop over a real Mosquitto."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event as Flag
from threading import Thread
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from typer.testing import CliRunner

from firmware_stub.core import Inputs, Node
from firmware_stub.node_loop import NodeLoop
from firmware_stub.practice_board import CallBoard
from firmware_stub.settings import Settings
from scheduler.cli.main import app
from scheduler.control.effects import SendAsk, SendClose, SendOrder, SendReceipt
from scheduler.control.events import LinkChanged, NodeHeard
from scheduler.control.orders import Order
from scheduler.link.asyncapi import asyncapi_document
from scheduler.link.messages import encode_order, read_state
from scheduler.link.node_log import ask_log
from scheduler.link.nudge import nudge
from scheduler.link.practice_broker import PracticeBroker, practice_accounts
from scheduler.link.rain_gauge import rain_topic, read_tips
from scheduler.link.signing import STATE_BYTES_MAX, seal
from scheduler.site.errors import LinkError
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
        "node": "shed", "key": KEY.hex(), "tick_ms": 10, "travel_ms_max": 1000,
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
    assert document["asyncapi"] == "3.0.0" and set(document["channels"]) >= {
        "order",
        "state",
        "close",
        "rain",
    }


def test_the_document_describes_every_frame_of_the_table_of_bytes() -> None:
    messages = asyncapi_document()["components"]["messages"]
    rows = json.loads(Path(__file__).with_name("vectors.json").read_text())
    assert {r["kind"] for r in rows} == {"order", "close", "ask", "receipt", "state", "log"}
    for row in rows:
        payload = messages[row["kind"]]["payload"]
        assert re.fullmatch(payload["pattern"], row["frame"]) and len(row["frame"]) <= payload["maxLength"]
        named = payload["contentSchema"]["$ref"].rsplit("/", 1)[1]
        fields = asyncapi_document()["components"]["schemas"][named]["properties"]
        assert set(json.loads(row["body"])) <= set(fields)


def test_the_document_is_printed_by_a_command() -> None:
    shown = CliRunner().invoke(app, ["schema", "asyncapi"])
    assert shown.exit_code == 0 and json.loads(shown.stdout) == asyncapi_document()


def test_a_state_of_another_version_is_refused_and_said(mosquitto: MosquittoProcess) -> None:
    body = {"version": 2, "node": "shed", "what_is_new": "unknown here"}
    frame = seal("state", json.dumps(body).encode(), KEY, STATE_BYTES_MAX)
    sender = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    sender.connect("127.0.0.1", mosquitto.port)
    sender.loop_start()
    with Ends(mosquitto.port) as ends:
        until(lambda: ends.link.connected)
        until(lambda: mosquitto.log().count("fallinghead/garden/nudge") > 0)  # its subscriptions are in
        sender.publish("fallinghead/shed/state", frame, qos=1).wait_for_publish(5)
        until(lambda: ends.trouble)
        assert "version" in ends.trouble[0] and ends.heard is None and ends.link.untrusted == 1
    sender.disconnect()
    sender.loop_stop()


def test_an_order_of_another_version_is_refused_and_the_owner_can_be_told(
    mosquitto: MosquittoProcess,
) -> None:
    with node_on(mosquitto.port) as loop, Ends(mosquitto.port) as ends:
        state = until(lambda: ends.heard)
        body = {"version": 2, "node": "shed", "session": state.session, "order_id": "later-1"}
        sender = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        sender.connect("127.0.0.1", mosquitto.port)
        sender.loop_start()
        frame = seal("order", json.dumps(body).encode(), KEY)
        sender.publish("fallinghead/shed/order", frame, qos=1).wait_for_publish(5)
        refused = until(
            lambda: [r for e in ends.events if isinstance(e, NodeHeard) for r in e.refusals], within_s=20
        )
        assert [(r.why, r.order_id) for r in refused] == [("version", "later-1")]
        assert loop.node.valves[0].position == "closed"
        sender.disconnect()
        sender.loop_stop()


def test_the_node_tells_its_own_log_when_asked_and_what_it_counted(mosquitto: MosquittoProcess) -> None:
    with node_on(mosquitto.port) as loop, Ends(mosquitto.port) as ends:
        until(lambda: ends.heard)
        sender = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        sender.connect("127.0.0.1", mosquitto.port)
        sender.loop_start()
        sender.publish("fallinghead/shed/order", b"x" * 100, qos=1).wait_for_publish(5)
        until(lambda: loop.node.refused_total == 1)
        told = ask_log("shed", KEY, host="127.0.0.1", port=mosquitto.port)
        assert [words for _ago, _at, words in told.entries] == ["start: power_on", "refused: bad_mac"]
        assert told.refused_total == 1
        with pytest.raises(LinkError, match="did not answer"):
            ask_log("shed", bytes(32), host="127.0.0.1", port=mosquitto.port, within_s=1.0)
        sender.disconnect()
        sender.loop_stop()
        # The daemon's own link went on as before.
        ends.link.send(SendOrder(ends.order(1, 500)))
        until(lambda: ended(ends, "o-1"))


def test_pulses_are_told_only_by_a_node_that_counts_them() -> None:
    node = Node(Settings("shed", KEY))
    node.boot(0)
    node.connected(0, b"12345678")
    for pulses in (None, {"rain": 7}, {"rain": 8, "flow": 1200}):
        node.tick(1000, Inputs([(False, True)], pulses=pulses))
        said = read_state(node.state(), KEY, "shed")
        assert (said.pulses.model_dump(exclude_none=True) if said.pulses else None) == pulses


def test_what_the_asyncapi_document_takes_of_a_rain_gauge_is_what_is_read() -> None:
    document = asyncapi_document()
    rain = document["components"]["messages"]["rain"]["payload"]["properties"]["tips"]
    address = document["channels"]["rain"]["address"].replace("{site}", "plot")
    assert address == rain_topic("plot")
    assert document["operations"]["receive_rain"]["action"] == "receive"
    for tips in (rain["minimum"], rain["maximum"]):
        assert read_tips(json.dumps({"tips": tips}).encode()) == tips
    for tips in (rain["minimum"] - 1, rain["maximum"] + 1):
        assert read_tips(json.dumps({"tips": tips}).encode()) is None
