"""What is true of the garden: water in the barrels, motor valves, a level sensor. Formulas of its own, so
that the checks share no code with the controller: an orifice's root law, upright cylinders, the speed of
sound in dry air 331.3 + 0.606 T m/s (general physics)."""

from __future__ import annotations

import math
import random

from scheduler.site.model import Site
from tests.simulation import sites
from tests.simulation.clockwork import HOUR


class TrueValve:
    """A motor ball valve that cuts itself off at its ends. ``place``: 0 shut, 1 open. Times in ms of true
    time."""

    def __init__(self, travel_ms: int) -> None:
        self.travel_ms = travel_ms
        self.place = 0.0
        self.drive = "off"
        self.jammed = False
        self.slow = 1.0
        self.leak_lph = 0.0
        self.open_switch: bool | None = None  # None: says the truth
        self.closed_switch: bool | None = None
        self._at_ms = 0

    @property
    def hindered(self) -> bool:
        return self.jammed or self.slow != 1.0

    @property
    def faulty(self) -> bool:
        return self.hindered or self.open_switch is not None or self.closed_switch is not None

    def settle(self, now_ms: int) -> None:
        passed, self._at_ms = now_ms - self._at_ms, now_ms
        if self.jammed or self.drive == "off" or passed <= 0:
            return
        way = passed / (self.travel_ms * self.slow)
        self.place = min(1.0, self.place + way) if self.drive == "open" else max(0.0, self.place - way)

    def arrives_in_ms(self) -> int | None:
        """When an end switch changes, if the motor goes on."""
        if self.jammed or self.drive == "off":
            return None
        left = 1.0 - self.place if self.drive == "open" else self.place
        return math.ceil(left * self.travel_ms * self.slow) if left > 0.0 else None

    def switches(self) -> tuple[bool, bool]:
        at_open = self.place >= 1.0 if self.open_switch is None else self.open_switch
        at_closed = self.place <= 0.0 if self.closed_switch is None else self.closed_switch
        return at_open, at_closed

    @property
    def wet(self) -> bool:
        return self.place > 0.0

    @property
    def shut_and_dry(self) -> bool:
        """No water flows, and none will before the motor is driven open."""
        return self.place <= 0.0 and self.drive != "open" and not self.leak_lph


class TrueSensor:
    """Raw pings from the true level, with whatever is wrong with it now."""

    def __init__(self, site: Site, rng: random.Random) -> None:
        self._sensor = site.sensor
        self._rng = rng
        self.fault: str | None = None
        self.size = 0.0
        self.drift_m = 0.0
        self.offset_m = 0.0
        self._stuck: list[int] | None = None

    @property
    def honest(self) -> bool:
        return self.fault is None and self.offset_m == 0.0 and self.drift_m == 0.0

    def begin(self, fault: str, size: float) -> None:
        self.fault, self.size, self._stuck = fault, size, None
        if fault == "offset":
            self.offset_m = size

    def mend(self) -> None:
        self.fault, self.offset_m, self.drift_m, self._stuck = None, 0.0, 0.0, None

    def pings(self, level_m: float, air_c: float) -> list[int] | None:
        if self._sensor is None or self.fault == "silence":
            return None
        if self.fault == "drift":
            self.drift_m += self.size
        surface_m = level_m + sites.OUTLET_M + self.offset_m + self.drift_m
        noise_m = self._sensor.noise_m * (6.0 if self.fault == "noise" else 1.0)
        found = [self._raw(surface_m + self._rng.gauss(0.0, noise_m), air_c) for _ in range(5)]
        if self.fault == "stuck":
            self._stuck = self._stuck or found
            return self._stuck
        if self.fault == "spikes" and self._rng.random() < 0.4:
            return [self._raw(surface_m - self._rng.uniform(-0.4, 0.4), air_c) for _ in found]
        if self.fault == "spider":
            return [
                self._raw(self._sensor.mount_height_m - 0.12 - 0.002 * self._rng.random(), air_c)
                for _ in found
            ]
        return found

    def _raw(self, surface_m: float, air_c: float) -> int:
        assert self._sensor is not None
        if self._sensor.kind == "echo":
            speed = 331.3 + 0.606 * air_c
            return max(0, round((self._sensor.mount_height_m - surface_m) * 2e6 / speed))
        assert self._sensor.scale_m is not None
        return max(0, round((surface_m - self._sensor.mount_height_m) / self._sensor.scale_m))


class Plumbing:
    """Barrels, valves and sensor. ``factors``: true flow of each zone over the drawn one."""

    def __init__(self, site: Site, rng: random.Random, start_share: float) -> None:
        self.site = site
        drums = len(site.tank.barrels)
        self.area_m2 = drums * math.pi * sites.DIAMETER_M**2 / 4
        self.brim_m = sites.BASE_M + sites.HEIGHT_M - sites.OUTLET_M
        self.level_m = self.brim_m * start_share
        self.valves = [TrueValve(round(z.valve.opening_s * 1000)) for z in site.zones]
        self.sensor = TrueSensor(site, rng)
        self.factors = [rng.uniform(0.92, 1.05) for _ in site.zones]
        self.hose_off = False
        self.given_l = [0.0 for _ in site.zones]
        self.air_c = 18.0
        self._now_ms = 0
        self._emitters = [
            [(e.coefficient_lph, p.drop_m) for line in zone.lines for p in line.points for e in p.emitters]
            for zone in site.zones
        ]

    @property
    def reserve_m(self) -> float:
        return self.site.reserve.volume_l / 1000.0 / self.area_m2

    def flow_lph(self, zone: int) -> float:
        valve = self.valves[zone]
        if self.hose_off:
            return valve.leak_lph
        full = 0.0
        if valve.place > 0.0:
            for coefficient_lph, drop_m in self._emitters[zone]:
                full += coefficient_lph * math.sqrt(max(0.0, self.level_m + drop_m))
        return full * self.factors[zone] * valve.place + valve.leak_lph

    def settle(self, now_ms: int) -> None:
        """Let water flow and valves travel up to now."""
        passed, self._now_ms = now_ms - self._now_ms, now_ms
        if passed == 0:
            return
        for n, valve in enumerate(self.valves):
            if valve.shut_and_dry:
                valve.settle(now_ms)
                continue
            before = self.flow_lph(n) if valve.wet or valve.leak_lph else 0.0
            valve.settle(now_ms)
            after = self.flow_lph(n) if valve.wet or valve.leak_lph else 0.0
            litres = (before + after) / 2.0 * passed / HOUR
            if litres > 0.0:
                litres = min(litres, self.level_m * self.area_m2 * 1000.0)
                self.given_l[n] += litres
                self.level_m -= litres / 1000.0 / self.area_m2

    def pour(self, litres: float) -> None:
        """Litres put in (or taken out) by hand or rain."""
        self.level_m = min(self.brim_m, max(0.0, self.level_m + litres / 1000.0 / self.area_m2))

    @property
    def water_can_flow(self) -> bool:
        return any(v.wet for v in self.valves)
