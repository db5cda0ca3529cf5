"""A virtual garden whose truth differs from what the controller is told: tank, valves, lines, sensor.

Water is neither made nor lost: at any time

    stored at the start + caught = stored now + overflow + leak + emitted + what the lines took up

``TrueGarden.imbalance_l`` is the difference, and stays within rounding.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from copy import copy, deepcopy
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from scheduler.agronomy.weather import DayWeather
from scheduler.rehearsal.hidden import Part, Truth, stream
from scheduler.rehearsal.rain import Shower, showers
from scheduler.rehearsal.true_run import TrueRun, ValveState
from scheduler.rehearsal.true_zone import TrueZone, true_zone
from scheduler.sensing.belief import LevelReading
from scheduler.sensing.scale import raw_step_m, raws_at_levels
from scheduler.site.model import Site
from scheduler.supply.stage import link_offset_m, read_off, stage_storage

Array = np.ndarray[Any, np.dtype[np.float64]]

# Longest step while water flows: the level falls by well under a millimetre in it.
STEP_S = 20.0
# A motor this near its end has arrived: instants are rounded to a microsecond.
ARRIVED = 1e-6
# Readings per report of the node's level sensor.
PINGS = 5
# Local hour at which the day is warmest (common practice, no source).
WARMEST_HOUR = 15.0
# Reported when no temperature is known for the day.
MILD_AIR_C = 15.0


class TrueGarden:
    """Advance it in time, move its valves, read its sensor. ``clock`` is UTC."""

    def __init__(
        self,
        site: Site,
        truth: Truth,
        days: Sequence[DayWeather],
        start: datetime,
        end: datetime,
        *,
        start_level_m: float | None = None,
        zones: Mapping[str, TrueZone] | None = None,
    ) -> None:
        """``zones``: those of another garden with the same truth, to save working them out again."""
        self.site = site
        self.truth = truth
        self.origin = start.astimezone(UTC)
        self.season_s = max(1.0, (end - start).total_seconds())
        self.now_s = 0.0
        self._clock = (0.0, self.origin)
        stage = stage_storage(site.tank)
        self.brim_m = float(stage.brim_level_m)
        self._stage_levels: list[float] = stage.levels_m.tolist()
        self._stage_volumes: list[float] = stage.volumes_l.tolist()
        self.volume_l = stage.volume_l(self.brim_m if start_level_m is None else start_level_m)
        self.brim_l = stage.volume_l(self.brim_m)
        self.zones: dict[str, TrueZone] = (
            dict(zones)
            if zones is not None
            else {z.id: true_zone(site, z, truth, self.brim_m) for z in site.zones}
        )
        self._valves = {z: ValveState(line_lacks_l=zone.emptied_l) for z, zone in self.zones.items()}
        self._showers: tuple[Shower, ...] = showers(site, days, self.origin, stream(truth.seed, Part.RAIN))
        self._next_shower = 0
        self._weather = {d.day: d for d in days}
        self._sensor = stream(truth.seed, Part.SENSOR)
        self._sensor.random()  # the first draw decided the sign of the offset
        self._offsets = _offset_table(site, self.zones.values(), self.brim_m)
        self._flow_lph = 0.0
        self.plant_l: dict[str, float] = {p.id: 0.0 for p in site.plants}
        self.emitted_l = 0.0
        self.caught_l = 0.0
        self.overflow_l = 0.0
        self.leak_l = 0.0
        self.lines_took_l = 0.0
        self._start_volume_l = self.volume_l
        self.runs: list[TrueRun] = []

    # -- what can be seen

    @property
    def clock(self) -> datetime:
        if self._clock[0] != self.now_s:  # asked some ten times at each instant
            self._clock = (self.now_s, self.origin + timedelta(seconds=self.now_s))
        return self._clock[1]

    @property
    def level_m(self) -> float:
        """Mean true level above the outlet."""
        return read_off(self.volume_l, self._stage_volumes, self._stage_levels)

    @property
    def progress(self) -> float:
        """How far through the season, 0..1: the clogging grows with it."""
        return min(1.0, max(0.0, self.now_s / self.season_s))

    @property
    def imbalance_l(self) -> float:
        """Water made (positive) or lost since the start; rounding apart it is 0."""
        went = self.overflow_l + self.leak_l + self.emitted_l + self.lines_took_l
        return self.volume_l + went - self._start_volume_l - self.caught_l

    def rain_before_watering(self, zone_id: str, start: datetime, end: datetime) -> float:
        """The share of a local day's rain, between two instants, that fell before the zone's last run in it.

        1 without a run, or without rain.
        """
        opened = [r.opened for r in self.runs if r.zone == zone_id and start <= r.opened < end]
        start_s, end_s = ((t - self.origin).total_seconds() for t in (start, end))
        shower = next((s for s in self._showers if start_s <= s.start_s < end_s), None)
        if not opened or shower is None:
            return 1.0
        return shower.fallen_share((max(opened) - self.origin).total_seconds())

    def position(self, zone_id: str) -> float:
        """0 shut, 1 open: what the end switches see."""
        return self._valves[zone_id].position

    def flowing(self) -> bool:
        return any(v.position > 0.0 or v.target > 0.0 for v in self._valves.values())

    def travel_end(self, zone_id: str) -> datetime:
        """When the motor of that valve reaches its end, as things stand."""
        return self.clock + timedelta(seconds=self._travel_left_s(zone_id))

    def reading(self) -> LevelReading:
        """One report of the level sensor: true level at the outlet, offset, noise, through the raw scale."""
        if self.site.sensor is None:
            raise ValueError(f"{self.site.id}: there is no level sensor to read")
        hidden = self.truth.hidden
        level = self.level_m - self._offset_m() + self.truth.level_offset_m
        noise, *scatter = self._sensor.standard_normal(1 + PINGS).tolist()
        level += hidden.level_noise_m * noise
        air_c = round(self.air_c(), 1)
        # raws_at_levels rounds towards a lower level; half a count up makes it round to the nearest.
        level += raw_step_m(self.site.sensor, air_c) / 2.0
        pings, _ = raws_at_levels(self.site, [level + hidden.ping_scatter_m * s for s in scatter], air_c)
        return LevelReading(at=self.clock, pings=pings, air_c=air_c)

    def air_c(self) -> float:
        """Air temperature now, a cosine between the day's extremes."""
        local = self.clock.astimezone(self.site.place.timezone)
        day = self._weather.get(local.date())
        if day is None or day.tmin_c is None or day.tmax_c is None:
            return MILD_AIR_C
        hour = local.hour + local.minute / 60.0
        swing = math.cos((hour - WARMEST_HOUR) / 24.0 * 2.0 * math.pi)
        return (day.tmax_c + day.tmin_c) / 2.0 + (day.tmax_c - day.tmin_c) / 2.0 * swing

    # -- what can be done

    def open_valve(self, zone_id: str) -> None:
        valve, zone = self._valves[zone_id], self.zones[zone_id]
        if valve.target == 1.0:
            return
        if valve.litres is None:
            valve.opened_s, valve.drawn_l, valve.level_start_m = self.now_s, 0.0, self.level_m
            valve.litres = np.zeros(len(zone.emitter_ids))
            full_s, wait = zone.filling(self.level_m, self.progress)
            share = valve.line_lacks_l / zone.emptied_l if zone.emptied_l > 0.0 else 0.0
            valve.fill_s, valve.wait_s = full_s * share, wait * share
        valve.target, valve.closing_s = 1.0, None

    def close_valve(self, zone_id: str) -> None:
        valve = self._valves[zone_id]
        if valve.target == 1.0:
            valve.target, valve.closing_s = 0.0, self.now_s

    def take(self, litres: float) -> float:
        """A person draws from the barrel; returns what was there to take. Counted as leak for the balance."""
        taken = min(litres, self.volume_l)
        self.volume_l -= taken
        self.leak_l += taken
        return taken

    def fork(self) -> TrueGarden:
        """A copy that goes its own way from here; the true curves are shared, nothing else is."""
        twin = copy(self)
        twin._valves = deepcopy(self._valves)
        twin._sensor = deepcopy(self._sensor)
        twin.plant_l = dict(self.plant_l)
        twin.runs = list(self.runs)
        return twin

    def drain_litres(self, zone_id: str) -> dict[str, float]:
        """What each plant would still get from the line if this zone's valve were shut now."""
        valve, zone = self._valves[zone_id], self.zones[zone_id]
        drained = max(0.0, zone.emptied_l - valve.line_lacks_l)
        found: dict[str, float] = {}
        for plant, share in zip(zone.emitter_plant, zone.drain_share.tolist(), strict=True):
            if plant is not None:
                found[plant] = found.get(plant, 0.0) + share * drained
        return found

    def advance(self, to: datetime) -> None:
        """Let time pass, water flow, rain fall, valves travel."""
        end_s = (to - self.origin).total_seconds()
        while self.now_s < end_s - 1e-9:
            step = min(end_s - self.now_s, self._next_change_s())
            if self.flowing():
                step = min(step, STEP_S)
                self._flow_step(step)
            else:
                self._store_step(step, 0.0)
            self.now_s += step
            self._finish_closings()

    # -- inside

    def _travel_left_s(self, zone_id: str) -> float:
        valve, zone = self._valves[zone_id], self.zones[zone_id]
        if valve.target > valve.position:
            return (valve.target - valve.position) * zone.opening_s
        return (valve.position - valve.target) * zone.closing_s

    def _next_change_s(self) -> float:
        """Seconds until a motor arrives, water reaches an emitter, or a shower starts or ends."""
        soonest = math.inf
        for zone_id, valve in self._valves.items():
            if valve.wait_s is None and valve.target == valve.position:
                continue
            left = self._travel_left_s(zone_id)
            if left > 0.0:
                soonest = min(soonest, left)
            if valve.wait_s is not None:
                since = self.now_s - valve.opened_s
                for wait in (*valve.wait_s.tolist(), valve.fill_s):
                    if wait > since + 1e-6:
                        soonest = min(soonest, wait - since)
        shower = self._shower()
        if shower is not None:
            for edge in (shower.start_s, shower.end_s):
                if edge > self.now_s + 1e-6:
                    soonest = min(soonest, edge - self.now_s)
        return max(soonest, 1e-3)

    def _shower(self) -> Shower | None:
        """The shower that falls now, or the next one. They never overlap: one a day, within its day."""
        while self._next_shower < len(self._showers):
            shower = self._showers[self._next_shower]
            if shower.end_s > self.now_s + 1e-6:
                return shower
            self._next_shower += 1
        return None

    def _rain_lps(self) -> float:
        shower = self._shower()
        if shower is None or shower.start_s > self.now_s + 1e-6:
            return 0.0
        return shower.litres / (shower.end_s - shower.start_s)

    def _offset_m(self) -> float:
        """How far the outlet barrel stands below the mean level at the present flow."""
        return read_off(self._flow_lph, *self._offsets)

    def _flow_step(self, step: float) -> None:
        """Midpoint rule on the level; each zone's emission booked at the middle of the step."""
        drawn_first = sum(float(out.sum()) + fill for _, out, fill in self._outflow(self.level_m, step))
        middle = read_off(self.volume_l - drawn_first / 2.0, self._stage_volumes, self._stage_levels)
        drawn = 0.0
        for zone_id, litres, fill in self._outflow(middle, step):
            valve = self._valves[zone_id]
            out = float(litres.sum()) + fill
            share = min(1.0, max(0.0, self.volume_l - drawn) / out) if out > 0.0 else 0.0
            valve.drawn_l += out * share
            valve.line_lacks_l -= fill * share
            self.lines_took_l += fill * share
            self._emit(zone_id, litres * share)
            drawn += out * share
        self._flow_lph = drawn / step * 3600.0
        self._store_step(step, drawn)
        for zone_id, valve in self._valves.items():
            self._travel(zone_id, valve, step)

    def _outflow(self, level_m: float, step: float) -> list[tuple[str, Array, float]]:
        """Litres that each open zone's emitters give in a step, and litres that its line takes up."""
        found = []
        for zone_id, valve in self._valves.items():
            if valve.position <= 0.0 and valve.target <= 0.0:
                continue
            zone = self.zones[zone_id]
            opening = self._mean_opening(zone_id, step)
            steady = zone.flow_lph(level_m - self._offset_m(), self.progress)
            since = self.now_s - valve.opened_s
            wait = valve.wait_s if valve.wait_s is not None else np.zeros(len(steady))
            litres = np.where(since + 1e-6 >= wait, steady, 0.0) * (opening * step / 3600.0)
            fill = 0.0
            if valve.line_lacks_l > 0.0 and level_m > 0.0:
                left_s = max(valve.fill_s - since, step)
                fill = valve.line_lacks_l * min(1.0, step / left_s)
            found.append((zone_id, litres, fill))
        return found

    def _mean_opening(self, zone_id: str, step: float) -> float:
        """Mean opening of the valve over the step; the step never passes the end of a travel."""
        valve, zone = self._valves[zone_id], self.zones[zone_id]
        if valve.target > valve.position:
            after = min(1.0, valve.position + step / zone.opening_s)
        else:
            after = max(valve.target, valve.position - step / zone.closing_s)
        return (valve.position + after) / 2.0

    def _travel(self, zone_id: str, valve: ValveState, step: float) -> None:
        zone = self.zones[zone_id]
        if valve.target > valve.position:
            valve.position += step / zone.opening_s
        elif valve.target < valve.position:
            valve.position -= step / zone.closing_s
        if abs(valve.position - valve.target) < ARRIVED or not 0.0 < valve.position < 1.0:
            valve.position = valve.target

    def _emit(self, zone_id: str, litres: Array) -> None:
        valve, zone = self._valves[zone_id], self.zones[zone_id]
        if valve.litres is not None:
            valve.litres += litres
        self.emitted_l += float(litres.sum())
        for plant, amount in zip(zone.emitter_plant, litres.tolist(), strict=True):
            if plant is not None:
                self.plant_l[plant] += amount

    def _store_step(self, step: float, drawn_l: float) -> None:
        """Rain in, leak and drawn water out, the rest over the brim."""
        caught = self._rain_lps() * step
        leak = min(self.truth.hidden.leak_lph * step / 3600.0, max(0.0, self.volume_l - drawn_l))
        volume = self.volume_l + caught - leak - drawn_l
        over = max(0.0, volume - self.brim_l)
        self.caught_l += caught
        self.leak_l += leak
        self.overflow_l += over
        self.volume_l = volume - over

    def _finish_closings(self) -> None:
        for zone_id, valve in self._valves.items():
            if valve.closing_s is not None and valve.position <= 0.0:
                self._drain(zone_id, valve)
                self._record_run(zone_id, valve)
        if not self.flowing():
            self._flow_lph = 0.0

    def _drain(self, zone_id: str, valve: ValveState) -> None:
        """After closing, the line empties through its lowest emitters, at once in this model."""
        zone = self.zones[zone_id]
        drained = max(0.0, zone.emptied_l - valve.line_lacks_l)
        self._emit(zone_id, zone.drain_share * drained)
        valve.line_lacks_l += drained
        self.lines_took_l -= drained

    def _record_run(self, zone_id: str, valve: ValveState) -> None:
        zone = self.zones[zone_id]
        litres: dict[str, float] = {}
        amounts = valve.litres.tolist() if valve.litres is not None else []
        for plant, amount in zip(zone.emitter_plant, amounts, strict=True):
            if plant is not None:
                litres[plant] = litres.get(plant, 0.0) + amount
        closing_s = self.now_s if valve.closing_s is None else valve.closing_s
        self.runs.append(
            TrueRun(
                zone=zone_id,
                opened=self.origin + timedelta(seconds=valve.opened_s),
                open_s=closing_s - valve.opened_s,
                level_start_m=valve.level_start_m,
                level_end_m=self.level_m,
                lowest_level_m=min(valve.level_start_m, self.level_m),
                drawn_l=valve.drawn_l,
                litres=tuple(sorted(litres.items())),
            )
        )
        valve.closing_s, valve.litres, valve.wait_s = None, None, None


def _offset_table(site: Site, zones: Any, brim_m: float) -> tuple[list[float], list[float]]:
    """Outlet-barrel offset over the flow, up to all zones open at the brim."""
    most = sum(float(z.flow_lph(brim_m, 0.0).sum()) for z in zones)
    flows: list[float] = np.linspace(0.0, max(most, 1.0), 24).tolist()
    return flows, [link_offset_m(site.tank, q) for q in flows]
