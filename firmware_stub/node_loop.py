"""The main loop: core, network and board together. A step waits ``tick_ms`` for the network at the most.

The board's own timer closes a valve even while this loop hangs (see ``guard`` in drivers.py).
"""

import os

try:
    from . import codec, secure, ticks
    from .core import Node
    from .mqtt import Client
    from .settings import Settings
except ImportError:  # on the board the files stand side by side
    import codec
    import secure
    import ticks
    from core import Node
    from mqtt import Client
    from settings import Settings

TICK_MS = 50
BACK_OFF_MS_MIN = 1000
BACK_OFF_MS_MAX = 60000
KINDS = ("order", "close", "ask", "receipt")

# Keys of the settings file that go to the core as they are.
CORE_KEYS = (
    "channels",
    "travel_ms_max",
    "longest_open_ms",
    "daily_open_ms_max",
    "open_at_once_max",
    "supply_low_mv",
    "heartbeat_ms",
    "open_report_ms",
    "shuts_without_power",
    "cuts_itself_off",
)


def unhex(text):
    return bytes(int(text[i : i + 2], 16) for i in range(0, len(text), 2))


def core_settings(d, tick_modulus):
    given = {k: d[k] for k in CORE_KEYS if k in d}
    return Settings(d["node"], unhex(d["key"]), tick_modulus=tick_modulus, **given)


class NodeLoop:
    """``board``: see practice_board.py and drivers.py for the two that exist.

    It has begin() (pins driven closed), now_ms(), modulus, read() -> Inputs, motor(channel, drive),
    guard(channel, ms), measure(), save(dict), load(), network_ready(), feed(progress), reset_cause.
    """

    def __init__(self, settings, board, tls=None):
        self.board = board
        self.name = settings["node"]
        broker = settings["broker"]
        self.tick_ms = settings.get("tick_ms", TICK_MS)
        self.node = Node(core_settings(settings, board.modulus), board.load(), board.reset_cause)
        self.client = Client(
            broker["host"],
            broker["port"],
            "node-" + self.name,
            broker.get("username"),
            broker.get("password"),
            ticks,
            tls if tls is not None else secure.pinned(broker),
        )
        self._root = "fallinghead/" + self.name + "/"
        self._topics = [self._root + k for k in KINDS]
        self._was_up = False
        self._wait_ms = BACK_OFF_MS_MIN
        self._dial_at = None
        self._down_at = ticks.ticks_ms()
        self._pending = None
        self._pending_log = None
        self.steps = 0
        self.save_failures = 0

    def start(self):
        """The valves first; the network can wait."""
        self.board.begin()
        self._do(self.node.boot(self.board.now_ms()))

    def step(self):
        self.node.may_publish = self._pending is None and not self.client.in_flight
        inputs = self.board.read()
        self._do(self.node.tick(self.board.now_ms(), inputs))
        self._network()
        self.steps += 1
        self.board.feed(self.steps)

    def run(self, steps=None):
        self.start()
        while steps is None or self.steps < steps:
            self.step()

    # --- actions

    def _do(self, actions):
        failed = False
        for a in actions:
            what = a[0]
            if what == "motor":
                if not (failed and a[2] == "open"):
                    self.board.motor(a[1], a[2])
            elif what == "guard":
                self.board.guard(a[1], a[2])
            elif what == "save":
                try:
                    self.board.save(a[1])
                except OSError:
                    self.save_failures += 1
                    failed = True
            elif what == "measure":
                self.board.measure()
            elif what == "tell_log":
                self._pending_log = a[1]
            else:
                self._pending = a[1]
        if failed:
            for a in self.node.save_failed(self.board.now_ms()):
                if a[0] == "motor":
                    self.board.motor(a[1], a[2])
                elif a[0] == "guard":
                    self.board.guard(a[1], a[2])

    # --- network

    def _network(self):
        if self.client.down:
            self._rest_and_dial()
            return
        for topic, payload, retained in self.client.poll(self.tick_ms):
            kind = topic[len(self._root) :] if topic.startswith(self._root) else None
            if kind in KINDS:
                self._do(self.node.handle(kind, payload, retained, self.board.now_ms()))
        if self.client.up and not self._was_up:
            self._was_up = True
            self._wait_ms = BACK_OFF_MS_MIN
            self._pending = None
            self._do(self.node.connected(self.board.now_ms(), os.urandom(8)))
        if self._pending is not None and self.client.publish(self._root + "state", self._pending):
            self._pending = None
        elif self._pending_log is not None and self.client.publish(self._root + "log", self._pending_log):
            self._pending_log = None
        if self.client.down:
            self._lost()

    def _lost(self):
        if self._was_up:
            self._was_up = False
            self.node.disconnected()
        self._pending = self._pending_log = None
        self._down_at = ticks.ticks_ms()
        self._dial_at = None

    def _rest_and_dial(self):
        """Wait half to one and a half times the back-off, so that many nodes do not dial at once."""
        if self._dial_at is None:
            self._dial_at = self._wait_ms // 2 + (self._wait_ms * os.urandom(1)[0]) // 256
            self._wait_ms = min(BACK_OFF_MS_MAX, self._wait_ms * 2)
        if ticks.diff(ticks.ticks_ms(), self._down_at) < self._dial_at:
            ticks.sleep_ms(self.tick_ms)
            return
        if self.board.network_ready():
            self.client.dial(self._topics)
        if self.client.down:
            self._lost()


def load_memory(path, key):
    """The saved memory; None when there is none or it is damaged."""
    import json

    try:
        with open(path, "rb") as f:
            raw = f.read(4096)
        return json.loads(codec.open_frame("memory", raw, key, 4096).decode())
    except (OSError, ValueError, codec.FrameError):
        return None


def save_memory(path, key, memory):
    """Whole or not at all: written beside, then renamed over the old one. OSError when it cannot be."""
    with open(path + ".new", "wb") as f:
        f.write(codec.seal("memory", codec.dump(memory), key))
        f.flush()
        if hasattr(os, "fsync"):
            os.fsync(f.fileno())
    os.rename(path + ".new", path)
