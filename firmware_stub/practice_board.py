"""Boards without pins: motors, switches and pings of a simulated garden.

``TcpBoard`` speaks one line of JSON each way with scheduler/link/practice_board_server.py; ``CallBoard``
calls a function in the same process with the same two dicts.
"""

import json
import select
import socket

try:
    from . import ticks
    from .core import Inputs
    from .node_loop import load_memory, save_memory
except ImportError:  # on the board the files stand side by side
    import ticks
    from core import Inputs
    from node_loop import load_memory, save_memory

ANSWER_MS_MAX = 200
CLOCK_MODULUS = 1 << 62
LINE_BYTES_MAX = 4096


class CallBoard:
    """``respond(asked: dict) -> dict`` is the garden. ``memory_path`` None: nothing survives a restart."""

    reset_cause = "power_on"

    def __init__(self, respond, channels, key, memory_path=None, reset_cause=None):
        self._respond = respond
        self._channels = channels
        self._key = key
        self._path = memory_path
        self._drive = {}
        self._guards = {}
        self._measure = False
        self._garden_ms = None
        self._ahead_ms = 0
        self._own = ticks.ticks_ms()
        self._own_ms = 0
        self.modulus = CLOCK_MODULUS
        self.fed = 0
        if reset_cause:
            self.reset_cause = reset_cause

    def begin(self):
        for c in range(self._channels):
            self.motor(c, "close")
        self.read()

    def now_ms(self):
        """The garden's clock where it has one, else this process's own, made not to wrap."""
        if self._garden_ms is not None:
            return self._garden_ms
        now = ticks.ticks_ms()
        self._own_ms += ticks.diff(now, self._own)
        self._own = now
        return self._own_ms

    def read(self):
        asked = {"t": self.now_ms(), "motor": self._drive, "measure": self._measure}
        answer = self._exchange(asked)
        if answer is None:
            return Inputs([None] * self._channels)
        if answer.get("now_ms") is not None:
            if self._garden_ms is None:
                self._ahead_ms = self.now_ms() - answer["now_ms"]
            self._garden_ms = answer["now_ms"] + self._ahead_ms
        pings = answer.get("pings") if self._measure else None
        if pings:
            self._measure = False
        self._fire_guards()
        switches = [tuple(s) if s is not None else None for s in answer["switches"]]
        return Inputs(switches, pings, answer.get("supply_mv"), answer.get("air_c"))

    def _exchange(self, asked):
        return self._respond(asked)

    def motor(self, channel, drive):
        self._drive[str(channel)] = drive

    def guard(self, channel, ms):
        """On a real board a timer interrupt; here looked at on each exchange."""
        self._guards[channel] = None if ms is None else self.now_ms() + ms

    def _fire_guards(self):
        now = self.now_ms()
        for c, at in self._guards.items():
            if at is not None and now >= at:
                self._guards[c] = None
                self._drive[str(c)] = "close"

    def measure(self):
        self._measure = True

    def save(self, memory):
        if self._path is not None:
            save_memory(self._path, self._key, memory)

    def load(self):
        return load_memory(self._path, self._key) if self._path is not None else None

    def network_ready(self):
        return True

    def feed(self, progress):
        self.fed = progress


class TcpBoard(CallBoard):
    """The garden at the other end of a loopback connection; every wait is bounded."""

    def __init__(self, host, port, channels, key, memory_path=None, reset_cause=None):
        CallBoard.__init__(self, None, channels, key, memory_path, reset_cause)
        self._address = socket.getaddrinfo(host, port)[0][-1]
        self._socket = None
        self._poller = None
        self._in = b""

    def _exchange(self, asked):
        try:
            if self._socket is None:
                self._open()
            self._socket.send(json.dumps(asked).encode() + b"\n")
            line = self._line()
            if line is not None:
                return json.loads(line.decode())
        except (OSError, ValueError):
            pass
        self._shut()
        return None

    def _open(self):
        self._socket = socket.socket()
        self._socket.connect(self._address)
        self._socket.setblocking(False)
        self._poller = select.poll()
        self._poller.register(self._socket, select.POLLIN)
        self._in = b""

    def _shut(self):
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        ticks.sleep_ms(20)

    def _line(self):
        """One answer, or None when it does not come in time."""
        began = ticks.ticks_ms()
        while b"\n" not in self._in:
            left = ANSWER_MS_MAX - ticks.diff(ticks.ticks_ms(), began)
            if left <= 0 or len(self._in) > LINE_BYTES_MAX or not self._poller.poll(left):
                return None
            data = self._socket.recv(1024)
            if not data:
                return None
            self._in += data
        line, self._in = self._in.split(b"\n", 1)
        return line
