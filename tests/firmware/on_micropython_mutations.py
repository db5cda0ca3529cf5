"""Run by MicroPython or Python: mutated, cut, forged and replayed messages against the node core.

``arguments: how many, seed``. Prints the counts; a mutant that opened anything ends it with an error.
"""

import sys

try:
    import codec
    from core import Inputs, Node, Settings
except ImportError:
    from firmware_stub import codec
    from firmware_stub.core import Inputs, Node, Settings

KEY = bytes(range(32))
OTHER = bytes(range(1, 33))
KINDS = ("order", "close", "ask", "receipt", "state")


class Dice:
    """A linear congruence (Numerical Recipes' constants), alike on every interpreter."""

    def __init__(self, seed):
        self.x = seed

    def below(self, n):
        self.x = (self.x * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self.x >> 8) % n


def fresh():
    node = Node(Settings("shed", KEY))
    node.boot(0)
    node.tick(0, Inputs([(False, True)]))
    node.tick(500, Inputs([(False, True)]))
    node.connected(500, b"12345678")
    return node


def order(**changes):
    body = {
        "version": 1, "node": "shed", "session": "3132333435363738", "sequence": 1, "order_id": "o-1",
        "channel": 0, "open_ms": 60000, "start_by_uptime_ms": 100000, "low_raw": None, "low_side": None,
    }  # fmt: skip
    body.update(changes)
    return codec.dump(body)


def opened(actions):
    return any(a[0] == "motor" and a[2] == "open" for a in actions)


def mutate(frame, dice):
    """(kind, bytes) that differ from the good order in kind or bytes."""
    b = bytearray(frame)
    way = dice.below(8)
    if way == 0:
        b[dice.below(len(b))] ^= 1 << dice.below(8)
    elif way == 1:
        b = b[: dice.below(len(b))]
    elif way == 2:
        for _ in range(1 + dice.below(4)):
            at = dice.below(len(b))
            b[at] = (b[at] + 1 + dice.below(255)) & 255
    elif way == 3:
        b += bytes((dice.below(256),))
    elif way == 4:
        at = dice.below(len(b))
        b = b[:at] + bytes((dice.below(256),)) + b[at:]
    elif way == 5:
        b = bytearray(codec.seal("order", order(open_ms=1 + dice.below(60000)), OTHER))
    elif way == 6:
        return KINDS[1 + dice.below(4)], bytes(b)
    else:  # a signature for another kind, offered as an order
        b = bytearray(codec.seal(KINDS[1 + dice.below(4)], order(), KEY))
    return "order", bytes(b)


def main(count, seed):
    dice = Dice(seed)
    node = fresh()
    frame = codec.seal("order", order(), KEY)
    tried = 0
    while tried < count:
        kind, raw = mutate(frame, dice)
        if kind == "order" and raw == frame:
            continue
        tried += 1
        actions = node.handle(kind, raw, False, 600)
        if opened(actions) or node.valves[0].run is not None:
            raise SystemExit("a mutant opened: " + repr(raw))
    refused = node.refused_total
    if not opened(node.handle("order", frame, False, 600)):
        raise SystemExit("the good order no longer opens")
    print("tried", tried, "refused", refused)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
