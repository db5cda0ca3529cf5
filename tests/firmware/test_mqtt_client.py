"""The node's MQTT client alone, against a raw socket whose every byte is the test's.

Packets are written out from the OASIS standard MQTT 3.1.1; section numbers are its own.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from firmware_stub.mqtt import (
    ANSWER_MS_MAX,
    CONNECT_MS_MAX,
    PACKET_BYTES_MAX,
    PING_AFTER_MS,
    PING_ANSWER_MS,
    Client,
)

CONNACK = b"\x20\x02\x00\x00"  # 3.2
SUBACK = b"\x90\x03\x00\x01\x01"  # 3.9, packet id 1, QoS 1 granted
PINGREQ, PINGRESP = b"\xc0\x00", b"\xd0\x00"  # 3.12, 3.13
# 3.3: QoS 1, topic "a/order", packet id 7, payload "hello"
PUBLISH = b"\x32\x10\x00\x07a/order\x00\x07hello"
PUBACK_7 = b"\x40\x02\x00\x07"  # 3.4


class HandClock:
    """Goes on only when told."""

    def __init__(self) -> None:
        self.ms = 0

    def ticks_ms(self) -> int:
        return self.ms

    def diff(self, later: int, earlier: int) -> int:
        return later - earlier


class Wire:
    """A client, its clock, and the broker's end of its connection."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(5)
        self.clock = HandClock()
        self.client = Client("127.0.0.1", self.listener.getsockname()[1], "node", clock=self.clock)
        self.broker: socket.socket | None = None
        self.messages: list[tuple[str, bytes, bool]] = []

    def poll(self, times: int = 3) -> None:
        for _ in range(times):
            self.messages += self.client.poll(20)

    def said(self) -> bytes:
        assert self.broker is not None
        try:
            return self.broker.recv(4096)
        except BlockingIOError:
            return b""

    def tell(self, data: bytes) -> None:
        assert self.broker is not None
        self.broker.sendall(data)
        self.poll()

    def accept(self) -> Wire:
        self.client.dial(["a/order"])
        self.broker, _ = self.listener.accept()
        self.broker.setblocking(False)
        self.broker.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.poll()
        return self

    def up(self) -> Wire:
        self.accept()
        self.said()
        self.tell(CONNACK)
        self.tell(SUBACK)
        assert self.client.up
        self.said()
        return self

    def wait_ms(self, ms: int, step: int = 500) -> int:
        """Let time pass in small steps; gives how much passed until the client hung up."""
        began = self.clock.ms
        while self.clock.ms - began < ms and not self.client.down:
            self.clock.ms += step
            self.messages += self.client.poll(0)
        return self.clock.ms - began

    def close(self) -> None:
        self.client.drop(None)
        if self.broker is not None:
            self.broker.close()
        self.listener.close()


@pytest.fixture
def wire() -> Iterator[Wire]:
    made = Wire()
    yield made
    made.close()


def test_it_greets_and_subscribes_as_the_standard_says(wire: Wire) -> None:
    wire.accept()
    # 3.1: protocol MQTT, level 4, clean session, keep-alive 15 s, client id "node"
    assert wire.said() == b"\x10\x10\x00\x04MQTT\x04\x02\x00\x0f\x00\x04node"
    wire.tell(CONNACK)
    assert wire.said() == b"\x82\x0c\x00\x01\x00\x07a/order\x01"  # 3.8


def test_a_message_in_pieces_of_one_byte_arrives_whole_and_is_acknowledged(wire: Wire) -> None:
    wire.accept()
    for byte in CONNACK + SUBACK + PUBLISH + PUBLISH:
        wire.tell(bytes((byte,)))
    assert wire.messages == [("a/order", b"hello", False)] * 2
    assert wire.said().endswith(PUBACK_7 * 2)


def test_many_messages_in_one_piece_all_arrive(wire: Wire) -> None:
    wire.up()
    wire.tell(PUBLISH * 60)
    wire.poll(30)
    assert wire.messages == [("a/order", b"hello", False)] * 60


def test_a_retained_message_is_told_as_such(wire: Wire) -> None:
    wire.up().tell(b"\x33" + PUBLISH[1:])
    assert wire.messages == [("a/order", b"hello", True)]


def test_a_link_that_fell_silent_is_dropped_within_its_bound(wire: Wire) -> None:
    wire.up()
    passed_ms = wire.wait_ms(60_000)
    assert wire.client.down and wire.client.why == "no answer to ping"
    assert PING_AFTER_MS < passed_ms <= PING_AFTER_MS + PING_ANSWER_MS + 1500 <= 20_000
    assert wire.said() == PINGREQ


def test_a_link_that_answers_pings_is_kept(wire: Wire) -> None:
    wire.up()
    for _ in range(10):
        wire.wait_ms(PING_AFTER_MS + 1000)
        if wire.said() == PINGREQ:
            wire.tell(PINGRESP)
    assert wire.client.up


@pytest.mark.parametrize(
    ("stage", "bound_ms"), [("connack", CONNECT_MS_MAX), ("suback", ANSWER_MS_MAX), ("puback", ANSWER_MS_MAX)]
)
def test_every_answer_that_is_owed_has_a_bound(wire: Wire, stage: str, bound_ms: int) -> None:
    if stage == "puback":
        wire.up()
        assert wire.client.publish("a/state", b"x") and not wire.client.publish("a/state", b"y")
    else:
        wire.accept()
        if stage == "suback":
            wire.tell(CONNACK)
    passed_ms = 0
    while not wire.client.down and passed_ms < 60_000:
        passed_ms += wire.wait_ms(500)
        if PINGREQ in wire.said():
            wire.tell(PINGRESP)
    assert bound_ms <= passed_ms <= bound_ms + 1000 and "no answer to" in str(wire.client.why)


@pytest.mark.parametrize(
    "data",
    [
        b"\x32\xff\x7f",  # 16383 bytes announced
        b"\x32\xff\xff\xff\xff\x01",  # a length of five bytes, section 2.2.3
        b"\x32\x05\x00\x07a/o",  # a topic longer than its packet
        b"\x36" + PUBLISH[1:],  # QoS 3, section 3.3.1.2
        b"\x32\x07\x00\x03\xff\xfe\xfd\x00\x01",  # a topic that is no UTF-8, section 1.5.3
        b"\x00\x00",  # a reserved kind, section 2.2.1
        b"\x20\x02\x00\x00",  # a second CONNACK
        b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain\r\n\r\n" + b"This is no broker. " * 4,
        b"\xff" * 3000,
    ],
)
def test_what_is_too_long_or_not_understood_ends_the_connection(wire: Wire, data: bytes) -> None:
    wire.up().tell(data)
    assert wire.client.down and wire.messages == [] and wire.client.why
    assert len(wire.client._in) <= PACKET_BYTES_MAX


def test_a_refusal_is_told_and_hung_up(wire: Wire) -> None:
    wire.accept().tell(b"\x20\x02\x00\x05")
    assert wire.client.down and wire.client.refused == 5  # not authorized, table 3.1


def test_a_refused_subscription_ends_the_connection(wire: Wire) -> None:
    wire.accept().tell(CONNACK)
    wire.tell(b"\x90\x03\x00\x01\x80")
    assert wire.client.down and wire.client.why == "subscription refused"


def test_after_a_hang_up_it_dials_anew_with_nothing_left_over(wire: Wire) -> None:
    wire.up()
    wire.tell(PUBLISH[:9])
    assert wire.broker is not None
    wire.broker.close()
    wire.poll()
    assert wire.client.down
    wire.up().tell(PUBLISH)
    assert wire.messages == [("a/order", b"hello", False)]
