"""Simulated hardware of a board, in the interfaces that MicroPython documents for ``machine``."""

import ticks

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5


class Board:
    """Levels of pins, and whoever moves them. A valve: pins, and its place from 0 (shut) to ``travel_ms``."""

    def __init__(self):
        self.cause = PWRON_RESET
        self.level = {}
        self.listeners = {}
        self.valves = []
        self.counts = {}  # of the ADC
        self.echo_us = lambda: 5800
        self.join_ms = 500
        self.timer_slow = 1
        self.shorted = False  # both outputs of a motor were on together
        self.reversed_after_ms = None  # shortest time between the two outputs
        self.bitten_at = None

    def tick(self, now):
        for v in self.valves:
            v.tick(self, now)

    def pulse(self, pin):
        self.level[pin] = 0
        for heard in self.listeners.get(pin, ()):
            heard(None)
        self.level[pin] = 1


class Valve:
    def __init__(self, pins, travel_ms=400, at=0, spring=False):
        self.pins = pins
        self.travel_ms = travel_ms
        self.at = at
        self.spring = spring
        self.jams_at = None
        self.swapped = False
        self.stuck = None  # (open made, closed made) whatever the place
        self.sags_mv = 0
        self._last = None
        self._off_at = 0

    def tick(self, hardware, now):
        opens = hardware.level.get(self.pins["open"], 0)
        closes = hardware.level.get(self.pins.get("close"), 0)
        self._watch(hardware, opens, closes, now)
        if self.spring:
            closes = not opens
        if self.swapped:
            opens, closes = closes, opens
        step = (1 if opens else 0) - (1 if closes else 0)
        if not (self.jams_at is not None and self.at >= self.jams_at and step > 0):
            self.at = min(self.travel_ms, max(0, self.at + step))
        made = self.stuck or (self.at >= self.travel_ms, self.at <= 0)
        hardware.level[self.pins["open_switch"]] = 0 if made[0] else 1
        hardware.level[self.pins["closed_switch"]] = 0 if made[1] else 1
        hardware.counts["sag"] = self.sags_mv if opens or closes else 0

    def _watch(self, hardware, opens, closes, now):
        if opens and closes:
            hardware.shorted = True
        drive = "open" if opens else "close" if closes else None
        if drive is None:
            return
        if self._last is not None and self._last != drive:
            gap = now - self._off_at
            known = hardware.reversed_after_ms
            hardware.reversed_after_ms = gap if known is None else min(known, gap)
        self._last = drive
        self._off_at = now


board = Board()
ticks.hardware.append(board.tick)


class Pin:
    IN, OUT, PULL_UP, IRQ_FALLING = 0, 1, 2, 3

    def __init__(self, number, mode=IN, pull=None, value=None):
        if type(number) is not int:
            raise ValueError("invalid pin")
        self.number = number
        if value is not None:
            board.level[number] = value
        board.level.setdefault(number, 1 if pull == Pin.PULL_UP else 0)

    def value(self, *to):
        if to:
            board.level[self.number] = to[0]
        return board.level[self.number]

    def irq(self, handler, _trigger):
        board.listeners.setdefault(self.number, []).append(handler)


class ADC:
    def __init__(self, pin):
        self._pin = pin.number

    def read_u16(self):
        return board.counts[self._pin] - board.counts.get("sag", 0)


class Timer:
    PERIODIC = 1

    def __init__(self, _number):
        self._due = None

    def init(self, period, mode, callback):
        self._period = period * board.timer_slow
        self._due = ticks.ticks_ms() + self._period
        self._callback = callback
        ticks.hardware.append(self._tick)

    def _tick(self, now):
        if now >= self._due:
            self._due += self._period
            self._callback(self)


class WDT:
    def __init__(self, timeout):
        self._timeout = timeout
        self.feed()
        ticks.hardware.append(self._tick)

    def feed(self):
        self._fed = ticks.ticks_ms()

    def _tick(self, now):
        if now - self._fed > self._timeout and board.bitten_at is None:
            board.bitten_at = now


def reset_cause():
    return board.cause


def time_pulse_us(_pin, _level, _us_max):
    return board.echo_us()
