"""Somebody with a password of the broker, but not the node's key."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from scheduler.control.orders import Order
from scheduler.link.messages import encode_order
from tests.end_to_end.deployed_broker import DeployedBroker
from tests.end_to_end.garden_under_test import KEY, PATIENCE_S, GardenUnderTest, wait_until

ORDERS = "fallinghead/shed/order"


def test_an_order_captured_and_sent_again_is_refused_and_told_after_three(plot: GardenUnderTest) -> None:
    spy = plot.client("shed", ORDERS)  # the node's own password, stolen
    plot.order(0.4)
    plot.wait_booked()
    given_l = plot.water.given_l
    (captured,) = [payload for topic, payload in spy.messages if topic == ORDERS]
    sender = plot.client("fallinghead")
    for number in range(1, 4):
        assert "order_refused" not in plot.alerts()
        sender.client.publish(ORDERS, captured, qos=1).wait_for_publish(5)
        plot.wait_said("The node refused an order: used order.", times=number)
    alert = plot.wait_alert("order_refused")
    assert "refused 3 orders within an hour" in alert.text
    assert alert.urgent
    assert len(plot.water.openings) == 1
    assert plot.water.given_l == given_l
    assert len(plot.bookings()) == 1


def test_an_order_of_before_a_reboot_is_refused(plot: GardenUnderTest) -> None:
    spy = plot.client("shed", ORDERS)
    plot.order(0.3)
    plot.wait_booked()
    (captured,) = [payload for topic, payload in spy.messages if topic == ORDERS]
    plot.kill_node()
    (plot.folder / "node-memory").unlink()  # even a node that forgot everything has a new session
    plot.forget_said()
    plot.start_node()
    plot.wait_said("Node shed is heard")
    plot.client("fallinghead").client.publish(ORDERS, captured, qos=1).wait_for_publish(5)
    plot.wait_said("The node refused an order: old session.")
    assert len(plot.water.openings) == 1


def test_a_forged_order_never_opens_and_is_told(plot: GardenUnderTest) -> None:
    sender = plot.client("fallinghead")
    with plot.store() as store:
        session = store.nodes_seen()[0].session
    for number in range(1, 4):
        order = Order("shed", session, number, f"forged.{number}", 1, 10_000, 1 << 40)
        key = secrets.token_bytes(16)
        assert key.hex() != KEY
        sender.client.publish(ORDERS, encode_order(order, key), qos=1).wait_for_publish(5)
        plot.wait_said("The node refused an order: bad mac.", times=number)
    assert "refused 3 orders" in plot.wait_alert("order_refused").text
    assert plot.water.openings == []
    assert plot.bookings() == ()
    # The same order with the right key opens: the test can fail.
    true = Order("shed", session, 1, "signed.1", 1, 2_000, 1 << 40)
    sender.client.publish(ORDERS, encode_order(true, bytes.fromhex(KEY)), qos=1).wait_for_publish(5)
    plot.wait(lambda: plot.water.openings, 10, "the valve opens for a true order")


def test_the_access_list_lets_a_node_neither_hear_another_nor_order(plot: GardenUnderTest) -> None:
    other = plot.client("other", "fallinghead/shed/#", ORDERS, "fallinghead/+/order", "#")
    person = plot.client("person", "fallinghead/+/order", "fallinghead/+/state", "#")
    own = plot.client("shed", ORDERS)
    plot.order(0.3)
    plot.wait_booked()
    assert [t for t, _ in own.messages] == [ORDERS]
    assert [t for t, _ in other.messages if not t.startswith("fallinghead/other/")] == []
    assert {t for t, _ in person.messages} <= {"fallinghead/test-plot/alert"} | {
        t for t, _ in person.messages if t.endswith("/nudge")
    }
    heard = len(own.messages)
    for intruder in (other, person):
        # Acknowledged all the same, and it reaches nobody.
        intruder.client.publish(ORDERS, own.messages[0][1], qos=1).wait_for_publish(5)
    plot.client("fallinghead").client.publish(ORDERS, b"from the service", qos=1).wait_for_publish(5)
    plot.wait(lambda: len(own.messages) > heard, 5, "the service's message")
    assert [payload for _t, payload in own.messages[heard:]] == [b"from the service"]


@pytest.fixture(scope="module")
def broker() -> Iterator[DeployedBroker]:
    made = DeployedBroker(("shed",))
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.mark.parametrize("user", [None, "fallinghead"])
def test_nobody_comes_in_without_the_right_password(broker: DeployedBroker, user: str | None) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311, reconnect_on_failure=False)
    if user is not None:
        client.username_pw_set(user, "not the password")
    codes: list[str] = []
    client.on_connect = lambda _c, _d, _f, code, _p: codes.append(str(code))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    wait_until(lambda: codes, PATIENCE_S, "the broker's verdict")
    client.disconnect()
    client.loop_stop()
    assert codes == ["Not authorized"]
