"""A wireless network that is joined some time after it was asked for, or never."""

import ticks
from machine import board

STA_IF = 0
AP_IF = 1


class WLAN:
    def __init__(self, _interface):
        self._since = None

    def active(self, *_on):
        return True

    def connect(self, _name, _password):
        self._since = ticks.ticks_ms()

    def disconnect(self):
        self._since = None

    def isconnected(self):
        joins = board.join_ms
        return joins is not None and self._since is not None and ticks.ticks_ms() - self._since >= joins
