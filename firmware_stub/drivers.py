"""The pins of a real board (ESP32 or RP2040 with MicroPython). Never imported elsewhere.

Written against the interpreter's documented interface; not yet run on a board. The bench test in README.md
comes before water.
"""

import sys

import machine
import network
import ticks
from core import Inputs
from node_loop import load_memory, save_memory

GUARD_MS = 100  # the timer interrupt that closes by itself
WATCHDOG_MS = 8000  # the longest an RP2040 takes is 8388 ms (its data sheet)
ECHO_US_MAX = 30000  # about 5 m there and back
PING_GAP_MS = 60  # let the last echo die away
PINGS = 7
MEMORY = "memory.json"
CAUSES = {"PWRON_RESET": "power_on", "WDT_RESET": "watchdog", "SOFT_RESET": "soft", "HARD_RESET": "hard"}


def reset_cause():
    now = machine.reset_cause()
    for name in CAUSES:
        if getattr(machine, name, None) == now:
            return CAUSES[name]
    return "other"


class Motor:
    """Two outputs: the two sides of a bridge, or the open and the close wire of a three-wire valve."""

    def __init__(self, pins):
        self._open = machine.Pin(pins["open"], machine.Pin.OUT, value=0)
        self._close = machine.Pin(pins["close"], machine.Pin.OUT, value=0)
        self._open_made = machine.Pin(pins["open_switch"], machine.Pin.IN, machine.Pin.PULL_UP)
        self._closed_made = machine.Pin(pins["closed_switch"], machine.Pin.IN, machine.Pin.PULL_UP)
        self.close_in_ms = None  # counted down by the timer interrupt
        self.locked = False  # the timer took over; only a new guard frees it

    def drive(self, what):
        """Break before make: both sides off first."""
        self._open.value(0)
        self._close.value(0)
        if what == "open" and not self.locked:
            self._open.value(1)
        elif what == "close":
            self._close.value(1)

    def switches(self):
        """They pull to ground when made."""
        return (self._open_made.value() == 0, self._closed_made.value() == 0)

    def guard_tick(self):
        if self.close_in_ms is None:
            return
        self.close_in_ms -= GUARD_MS
        if self.close_in_ms <= 0:
            self.close_in_ms = None
            self.locked = True
            self.drive("close")


class PinBoard:
    """Built first of all in main.py: with it every valve is driven closed."""

    modulus = ticks.MODULUS

    def __init__(self, settings, key):
        self._key = key
        self._motors = [Motor(p) for p in settings["pins"]["motors"]]
        self.reset_cause = reset_cause()
        self.begin()
        self._beats = 0
        self._beats_fed = 0
        self._timer = machine.Timer(-1 if sys.platform == "rp2" else 0)
        self._timer.init(period=GUARD_MS, mode=machine.Timer.PERIODIC, callback=self._beat)
        self._supply = _adc(settings["pins"].get("supply"))
        self._supply_scale = settings.get("supply_mv_per_count", 0)
        self._sensor = _sensor(settings["pins"].get("level"))
        self._pings = None
        self._ping_at = 0
        self._wifi = settings["wifi"]
        self._wlan = network.WLAN(network.STA_IF)
        self._wlan.active(True)
        self._joined_at = None
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)
        self._progress = 0

    def begin(self):
        for m in self._motors:
            m.drive("close")

    def _beat(self, _timer):
        """Touches pins and small integers alone: it may come between any two steps of the loop."""
        self._beats += 1
        for m in self._motors:
            m.guard_tick()

    def now_ms(self):
        return ticks.ticks_ms()

    def read(self):
        supply = None
        if self._supply is not None:
            supply = int(self._supply.read_u16() * self._supply_scale)
        return Inputs([m.switches() for m in self._motors], self._ping(), supply)

    def measure(self):
        if self._sensor is not None:
            self._pings = []

    def _ping(self):
        """One ping per step, so that no step is long; the whole row once it is there."""
        if self._pings is None or ticks.diff(ticks.ticks_ms(), self._ping_at) < PING_GAP_MS:
            return None
        self._ping_at = ticks.ticks_ms()
        self._pings.append(self._sensor())
        if len(self._pings) < PINGS:
            return None
        found = [p for p in self._pings if p >= 0]
        self._pings = None
        return found or None

    def motor(self, channel, drive):
        self._motors[channel].drive(drive)

    def guard(self, channel, ms):
        m = self._motors[channel]
        m.locked = False
        m.close_in_ms = ms

    def save(self, memory):
        save_memory(MEMORY, self._key, memory)

    def load(self):
        return load_memory(MEMORY, self._key)

    def network_ready(self):
        """Join, and do not wait for it."""
        if self._wlan.isconnected():
            return True
        now = ticks.ticks_ms()
        if self._joined_at is None or ticks.diff(now, self._joined_at) > 20000:
            self._joined_at = now
            try:
                self._wlan.disconnect()
                self._wlan.connect(self._wifi["name"], self._wifi["password"])
            except OSError:
                pass
        return False

    def feed(self, progress):
        """Only when the loop, the timer and with it the clock have all gone on."""
        if progress != self._progress and self._beats != self._beats_fed:
            self._progress = progress
            self._beats_fed = self._beats
            self._watchdog.feed()


def _adc(pin):
    return None if pin is None else machine.ADC(machine.Pin(pin))


def _sensor(pins):
    """A function that gives one raw value: echo time in us, or counts; below 0 when there was none."""
    if pins is None:
        return None
    if "adc" in pins:
        return _adc(pins["adc"]).read_u16
    trigger = machine.Pin(pins["trigger"], machine.Pin.OUT, value=0)
    echo = machine.Pin(pins["echo"], machine.Pin.IN)

    def ping():
        trigger.value(1)
        ticks.sleep_us(10)
        trigger.value(0)
        return machine.time_pulse_us(echo, 1, ECHO_US_MAX)

    return ping
