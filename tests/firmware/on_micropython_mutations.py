"""Run by MicroPython or Python: orders that are not what they should be, against the node core.

``arguments: how many, seed``. Mutated, truncated, forged, sent under another kind, meant for another node,
replayed from this session and from earlier ones, retained, of an old session. Between them a genuine order is
accepted now and then, so that every refusal is of a node that would open. Prints the counts; one that opened
anything ends it with an error.
"""

import sys

try:
    import codec
    from core import Inputs, Node
    from settings import Settings
except ImportError:
    from firmware_stub import codec
    from firmware_stub.core import Inputs, Node
    from firmware_stub.settings import Settings

KEY = bytes(range(32))
OTHER = bytes(range(1, 33))
KINDS = ("order", "close", "ask", "receipt", "state")
GENUINE_EVERY = 1000
RECORDED_MAX = 40
MADE = 10
MADE_WAYS = ("forged", "other_kind", "cross_node", "old_session")
WAYS = ("mutated", "truncated", "replayed", "retained") + MADE_WAYS  # noqa: RUF005 - not in this Python


class Dice:
    """A linear congruence (Numerical Recipes' constants), alike on every interpreter."""

    def __init__(self, seed):
        self.x = seed

    def below(self, n):
        self.x = (self.x * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self.x >> 8) % n


class Attacked:
    """A node with its valve shut, and what an attacker recorded on the wire."""

    def __init__(self, dice):
        self.dice = dice
        self.node = Node(Settings("shed", KEY, travel_ms_max=2000, daily_open_ms_max=1 << 40))
        self.now = 0
        self.number = 0
        self.place = 0
        self.recorded = []
        self.drive = "off"
        self.do(self.node.boot(0))
        self.turn()
        self.new_session()

    def do(self, actions):
        opened = False
        for a in actions:
            if a[0] == "motor":
                self.drive = a[2]
                opened = opened or a[2] == "open"
        return opened

    def turn(self):
        """Let the valve shut."""
        for _ in range(40):
            self.now += 100
            self.place = min(5, max(0, self.place + {"open": 1, "close": -1, "off": 0}[self.drive]))
            self.do(self.node.tick(self.now, Inputs([(self.place >= 5, self.place <= 0)])))
        if not self.node.valves[0].shut():
            raise SystemExit("the valve is not shut")

    def new_session(self):
        self.do(self.node.connected(self.now, bytes(self.dice.below(256) for _ in range(8))))
        self.frame = self.order()

    def order(self, key=KEY, **changes):
        body = {
            "version": 1, "node": "shed", "session": self.node.session,
            "sequence": self.node.last_sequence + 1, "order_id": f"o-{self.number}", "channel": 0,
            "open_ms": 60000, "start_by_uptime_ms": self.node.uptime_ms + 3600000,
            "low_raw": None, "low_side": None,
        }  # fmt: skip
        body.update(changes)
        return codec.seal("order", codec.dump(body), key)

    def genuine(self):
        """The order that all the others imitate still opens; then it is on record."""
        if not self.do(self.node.handle("order", self.frame, False, self.now)):
            raise SystemExit("the genuine order no longer opens")
        self.recorded.append(self.frame)
        if len(self.recorded) > RECORDED_MAX:
            self.recorded.pop(0)
        body = {"version": 1, "node": "shed", "channel": None, "session": None, "after_sequence": 0}
        body["nonce"] = f"n{self.number}"
        frame = codec.seal("close", codec.dump(body), KEY)
        self.do(self.node.handle("close", frame, False, self.now))
        self.turn()
        self.number += 1
        if self.dice.below(3) == 0:
            self.new_session()
        else:
            self.frame = self.order()
        self.made = {way: [] for way in MADE_WAYS}

    def hostile(self, way):
        """(kind, bytes, retained), never the genuine order as it would be accepted."""
        dice = self.dice
        if way == "mutated":
            return "order", mutated(self.frame, dice), False
        if way == "truncated":
            return "order", self.frame[: dice.below(len(self.frame))], False
        if way == "replayed":
            return "order", self.recorded[dice.below(len(self.recorded))], False
        if way == "retained":
            return "order", self.frame, True
        if way == "other_kind" and dice.below(2):
            return KINDS[1 + dice.below(4)], self.frame, False
        made = self.made[way]
        if len(made) < MADE:
            made.append(self.make(way))
        return "order", made[dice.below(len(made))], False

    def make(self, way):
        """Signing takes longest: so many of a kind beside each genuine order, used again and again."""
        dice = self.dice
        if way == "forged":
            return self.order(OTHER, open_ms=1 + dice.below(60000))
        if way == "other_kind":
            return codec.seal(KINDS[1 + dice.below(4)], self.frame[codec.MAC_HEX + 1 :], KEY)
        if way == "cross_node":  # another node's own order, or one with its name under our key
            return self.order(OTHER if dice.below(2) else KEY, node="other")
        # Of a session that was, though its sequence is high.
        return self.order(session="f" * 16, sequence=1 + dice.below(1 << 20))


def mutated(frame, dice):
    b = bytearray(frame)
    way = dice.below(4)
    if way == 0:
        b[dice.below(len(b))] ^= 1 << dice.below(8)
    elif way == 1:
        for _ in range(1 + dice.below(4)):
            at = dice.below(len(b))
            b[at] = (b[at] + 1 + dice.below(255)) & 255
    elif way == 2:
        b += bytes((dice.below(256),))
    else:
        at = dice.below(len(b))
        b = b[:at] + bytes((dice.below(256),)) + b[at:]
    return bytes(b)


def main(count, seed):
    dice = Dice(seed)
    attacked = Attacked(dice)
    node = attacked.node
    counts = dict.fromkeys(WAYS, 0)
    tried = 0
    while tried < count:
        if tried % GENUINE_EVERY == 0:
            attacked.genuine()
        way = WAYS[dice.below(len(WAYS))]
        kind, raw, retained = attacked.hostile(way)
        if way == "mutated" and raw == attacked.frame:
            continue
        tried += 1
        counts[way] += 1
        actions = node.handle(kind, raw, retained, attacked.now)
        if attacked.do(actions) or node.valves[0].run is not None:
            raise SystemExit(f"{way} opened: {raw!r}")
    attacked.genuine()
    print("tried", tried, "refused", node.refused_total, "genuine", attacked.number)
    print(" ".join(f"{way}={counts[way]}" for way in WAYS))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
