"""Run by MicroPython: what the whole node program holds of the heap, at its start and after many messages.

Argument: how many messages. Prints bytes: after the imports, after the start, after the messages, and the
most in between (each after a collection). Network and TLS aside: those are in test_broker_setup.py.
"""

import gc
import sys

import codec
import node_loop
from practice_board import CallBoard

KEY = bytes(range(32))
SETTINGS = {"node": "shed", "key": codec.to_hex(KEY), "broker": {"host": "127.0.0.1", "port": 1}}


def used():
    gc.collect()
    return gc.mem_alloc()


class Garden:
    """A valve that turns in a second, on a clock that this program sets."""

    def __init__(self):
        self.at = 0
        self.now = 0

    def respond(self, asked):
        self.now += 100
        way = asked["motor"].get("0")
        self.at = min(10, max(0, self.at + (1 if way == "open" else -1 if way == "close" else 0)))
        return {
            "switches": [[self.at >= 10, self.at <= 0]],
            "pings": [8000, 8001, 8002, 8003, 7999],
            "supply_mv": 12000,
            "now_ms": self.now,
        }


def message(loop, n):
    """One of the kinds that come, good and bad by turns."""
    node = loop.node
    kind = ("order", "close", "ask", "receipt", "order")[n % 5]
    body = {"version": 1, "node": "shed"}
    if kind == "order":
        body.update(session=node.session, order_id=f"o-{n}", sequence=node.last_sequence + 1, channel=0)
        body.update(open_ms=5000, start_by_uptime_ms=node.uptime_ms + 1000, low_raw=None, low_side=None)
        if n % 2:
            body["session"] = "old"
    elif kind == "close":
        body.update(channel=None, session=None, after_sequence=0, nonce=f"n{n}")
    elif kind == "ask":
        body.update(challenge=f"c{n}", log=n % 3 == 0)
    else:
        body.update(order_ids=[o["order_id"] for o in node.outcomes])
    frame = codec.seal(kind, codec.dump(body), KEY)
    if n % 7 == 0:
        frame = frame[:-5]
    loop._do(node.handle(kind, frame, n % 11 == 0, loop.board.now_ms()))


def main(count):
    gc.collect()
    imported = gc.mem_alloc()
    loop = node_loop.NodeLoop(SETTINGS, CallBoard(Garden().respond, 1, KEY))
    loop.start()
    loop.node.connected(loop.board.now_ms(), b"12345678")
    started = most = used()
    opened = 0
    for n in range(count):
        message(loop, n)
        loop._do(loop.node.tick(loop.board.now_ms(), loop.board.read()))
        opened += loop.node.valves[0].run is not None
        loop._pending = loop._pending_log = None  # handed on
        if n % 500 == 499:
            most = max(most, used())
    assert opened > count // 100 and loop.node.refused_total > count // 10
    print("imported", imported, "started", started, "after", used(), "most", most)


main(int(sys.argv[1]))
