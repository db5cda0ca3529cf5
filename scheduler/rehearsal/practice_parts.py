"""What a practice garden puts in place of the machine: a clock with a changing pace, and the node's pins."""

from __future__ import annotations

import math
import threading
import time
from datetime import datetime, timedelta
from typing import Any

from scheduler.control.clock import Now
from scheduler.link.messages import FIRST_CHANNEL
from scheduler.rehearsal.garden import TrueGarden
from scheduler.site.model import Site

# Virtual seconds in a real one while a fast clock waits to be let on.
PACE_HELD = 20.0


class PracticeClock:
    """A clock whose pace can change; all three kinds of time run on together."""

    def __init__(self, start: datetime, pace: float) -> None:
        self._lock = threading.Lock()
        self._start = start
        self._virtual_s = 0.0
        self._real_s = time.monotonic()
        self._pace = pace
        self._until_s = math.inf
        self._stands = False

    def now(self) -> Now:
        with self._lock:
            self._advance()
            return Now(self._start + timedelta(seconds=self._virtual_s), self._virtual_s, "synced")

    def delay_s(self, virtual_s: float) -> float:
        """At the present pace; a change of pace makes it a little early or late."""
        with self._lock:
            return virtual_s / self._pace

    def set_pace(self, pace: float, *, until_s: float = math.inf) -> None:
        """From virtual second ``until_s`` on the clock crawls, until it is set anew."""
        with self._lock:
            self._advance()
            self._pace, self._until_s = pace, until_s

    def stand(self, stands: bool) -> None:
        """No time passes while it stands."""
        with self._lock:
            self._advance()
            self._stands = stands

    def _advance(self) -> None:
        now_s = time.monotonic()
        passed_s, self._real_s = now_s - self._real_s, now_s
        if self._stands:
            return
        fast_s = min(passed_s, max(0.0, self._until_s - self._virtual_s) / self._pace)
        self._virtual_s += fast_s * self._pace + (passed_s - fast_s) * min(self._pace, PACE_HELD)


class GardenBoard:
    """The node's motors, switches and sensor are the virtual garden's. Used from the node's thread only."""

    def __init__(self, site: Site, garden: TrueGarden, clock: PracticeClock) -> None:
        # The node counts its motors from 0, the site file from 1.
        self._zones = {z.valve.channel - FIRST_CHANNEL: z.id for z in site.zones}
        self._channels = channels_of(site)
        self._garden = garden
        self._clock = clock
        self.moving = False

    def respond(self, asked: dict[str, Any]) -> dict[str, Any]:
        """One exchange: what the motors are told, what the switches and pings say."""
        now = self._clock.now()
        garden = self._garden
        garden.advance(now.wall)
        for channel, drive in asked["motor"].items():
            zone = self._zones.get(int(channel))
            if zone is not None and drive == "open":
                garden.open_valve(zone)
            elif zone is not None and drive == "close":
                garden.close_valve(zone)
        positions = [
            garden.position(self._zones[c]) if c in self._zones else 0.0 for c in range(self._channels)
        ]
        self.moving = any(0.0 < p < 1.0 for p in positions) or any(
            d in ("open", "close") for d in asked["motor"].values()
        )
        reading = garden.reading() if asked.get("measure") else None
        return {
            "switches": [[p >= 1.0, p <= 0.0] for p in positions],
            "pings": list(reading.pings) if reading is not None else None,
            "air_c": reading.air_c if reading is not None else None,
            "supply_mv": 12_600,
            "now_ms": int(now.monotonic_s * 1000.0),
        }


def channels_of(site: Site) -> int:
    """As many motor drivers as the highest channel in use needs."""
    return 1 + max(z.valve.channel for z in site.zones) - FIRST_CHANNEL
