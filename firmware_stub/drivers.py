"""The pins of a real board (ESP32 or RP2040 with MicroPython). Never imported elsewhere.

Written against the interpreter's documented interface and run in it against simulated pins (tests/firmware);
not yet run on a board. The bench test (selftest.py) comes before water.
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
DEAD_MS = 20  # relays let go within 10 ms (common data-sheet figure)
RAIN_DEBOUNCE_MS = 100  # a tipping bucket's reed contact; no cloudburst tips it ten times a second
MEMORY = "memory.json"
CAUSES = {"PWRON_RESET": "power_on", "WDT_RESET": "watchdog", "SOFT_RESET": "soft", "HARD_RESET": "hard"}


def _filled(pins, of):
    """The pins; ValueError names the first that the fitter has not filled in."""
    for name in pins:
        if pins[name] is None and not (name == "close" and pins.get("form") == "spring"):
            raise ValueError("settings.json: %s has no pin for %s yet: fill it in" % (of, name))
    return pins


def reset_cause():
    now = machine.reset_cause()
    for name in CAUSES:
        if getattr(machine, name, None) == now:
            return CAUSES[name]
    return "other"


class Motor:
    """Two outputs: the two sides of a bridge (two wires, reversed), or the open and the close wire of three.

    ``form`` "spring": one output, held on while the valve is to stay open; without it the valve shuts itself.
    Both outputs are never on together, and a reversal waits DEAD_MS, for a relay needs that to let go.
    """

    def __init__(self, pins):
        self._spring = pins.get("form") == "spring"
        self._open = machine.Pin(pins["open"], machine.Pin.OUT, value=0)
        self._close = None if self._spring else machine.Pin(pins["close"], machine.Pin.OUT, value=0)
        self._open_made = machine.Pin(pins["open_switch"], machine.Pin.IN, machine.Pin.PULL_UP)
        self._closed_made = machine.Pin(pins["closed_switch"], machine.Pin.IN, machine.Pin.PULL_UP)
        self._told = "off"
        self._way = None  # turned last; what it was before a start is not known
        self.close_in_ms = None  # counted down by the timer interrupt
        self._close_next = False  # the interrupt switched off, and closes the next time: it may not wait
        self.locked = False  # the timer took over; only a new guard frees it

    def drive(self, what):
        """Break before make."""
        if what == "open" and self.locked:
            what = "off"
        if self._spring:
            self._drive_spring(what)
            return
        if what != self._told:
            self._open.value(0)
            self._close.value(0)
            if what not in ("off", self._way):
                ticks.sleep_ms(DEAD_MS)
        self._told = what
        if what != "off":
            self._way = what
        if what == "open" and not self.locked:  # asked again: the interrupt may have come meanwhile
            self._open.value(1)
        elif what == "close":
            self._close.value(1)

    def _drive_spring(self, what):
        """At rest in the open position the motor or coil must be held."""
        if what == "off" and self._told == "open" and not self.locked:
            return
        self._told = what
        self._open.value(1 if what == "open" and not self.locked else 0)

    def switches(self):
        """They pull to ground when made."""
        return (self._open_made.value() == 0, self._closed_made.value() == 0)

    def guard_tick(self):
        """From the timer interrupt: no waiting, no memory taken."""
        if self._close_next:
            self._close_next = False
            self._told = self._way = "close"
            if self._close is not None:
                self._close.value(1)
        if self.close_in_ms is None:
            return
        self.close_in_ms -= GUARD_MS
        if self.close_in_ms <= 0:
            self.close_in_ms = None
            self.locked = True
            self._open.value(0)
            self._told = "off"
            self._close_next = True


class Pulses:
    """A contact that is counted in an interrupt; edges closer than ``debounce_ms`` are its bouncing."""

    def __init__(self, pin, debounce_ms):
        self.count = 0
        self._gap_ms = debounce_ms
        self._last = None
        self._pin = machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)
        self._pin.irq(self._edge, machine.Pin.IRQ_FALLING)

    def _edge(self, _pin):
        now = ticks.ticks_ms()
        if self._gap_ms and self._last is not None and ticks.diff(now, self._last) < self._gap_ms:
            return
        self._last = now
        self.count += 1


class PinBoard:
    """Built first of all in main.py: with it every valve is driven closed."""

    modulus = ticks.MODULUS

    def __init__(self, settings, key):
        self._key = key
        motors = settings["pins"]["motors"]
        self._motors = [Motor(_filled(motors[n], "valve %d" % (n + 1))) for n in range(len(motors))]
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
        self._pulses = {}
        for kind, gap_ms in (("rain", RAIN_DEBOUNCE_MS), ("flow", 0)):
            if settings["pins"].get(kind) is not None:
                self._pulses[kind] = Pulses(settings["pins"][kind], gap_ms)
        self._watchdog = None
        self._progress = 0

    def watch(self):
        """From here on the watchdog restarts a board whose loop, timer or clock stands."""
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def begin(self):
        for m in self._motors:
            m.drive("close")

    def beats(self):
        """How often the timer came, and its period in ms."""
        return self._beats, GUARD_MS

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
        pulses = {k: p.count for k, p in self._pulses.items()} or None
        return Inputs([m.switches() for m in self._motors], self._ping(), supply, None, pulses)

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
            if self._watchdog is not None:
                self._watchdog.feed()


def _adc(pin):
    return None if pin is None else machine.ADC(machine.Pin(pin))


def _sensor(pins):
    """A function that gives one raw value: echo time in us, or counts; below 0 when there was none."""
    if pins is None:
        return None
    _filled(pins, "level")
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
