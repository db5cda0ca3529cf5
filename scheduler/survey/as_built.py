"""The garden as built: the garden as drawn, with everything in it that tests have found.

The site file stays what was drawn, the tests stay what was read; from both this is worked out anew each time.
The site that comes out is taken by everything downstream in place of the drawn one. Of each emitter k, the
exponent, the spread and the heads tested are replaced, so that the zone's network gives back the catch cans
and the head-flow test; outside the tested heads the network's own laws carry on from there, and the doubt
grows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from scheduler.sensing.flow import FlowFactor, fresh_flow
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.supply.poured import Pour, PouredFit, fit_poured
from scheduler.supply.stage import stage_storage
from scheduler.survey.sensor_scale import SensorFit, sensor_scale
from scheduler.survey.site_mark import changed_parts, site_mark
from scheduler.survey.tests_done import Poured, SensorScale, TestKind
from scheduler.survey.tests_due import Stale, TestDue, due, history, stale
from scheduler.survey.zone_evidence import EmitterFound, ZoneEvidence, prove_zone
from scheduler.survey.zone_readings import Kept, TestDone

__all__ = [
    "AsBuilt",
    "EmitterFound",
    "Kept",
    "Stale",
    "TestDone",
    "TestDue",
    "ZoneEvidence",
    "as_built",
    "first_flow",
    "still_proven",
]


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """``site``: the garden as found. ``sensor``, ``poured``: None while there is no valid test.

    ``due``, ``stale``, ``history`` and ``doubts`` are of the barrels and the sensor; each zone has its own.
    """

    drawn: Site
    site: Site
    zones: Mapping[str, ZoneEvidence]
    sensor: SensorFit | None
    poured: PouredFit | None
    due: tuple[TestDue, ...]
    stale: tuple[Stale, ...]
    history: Mapping[TestKind, tuple[Kept, ...]]
    doubts: tuple[str, ...]

    @property
    def all_due(self) -> tuple[TestDue, ...]:
        """Those of the garden, then those of each zone."""
        return self.due + tuple(d for zone in self.zones.values() for d in zone.due)


def as_built(site: Site, records: Sequence[Kept], *, now: datetime, leak_lph: float = 0.0) -> AsBuilt:
    """What tests have made of a site as drawn. Never raises for a test that makes no sense: it is left out,
    and said so in ``doubts``.

    ``records``: in any order, those replaced by later ones among them. ``leak_lph``: known to leak at rest,
    taken off draws that were told by the fall of the level.
    """
    done = history(records, None)
    stales = stale(site, done, None)
    doubts: list[str] = []
    poured = _poured(site, done, stales, doubts)
    tank = site.tank if poured is None else poured.on(site.tank)
    sensor = _sensor(site, done, stales, doubts)
    found = site.sensor if sensor is None or site.sensor is None else sensor.on(site.sensor)
    base = replace(site, tank=tank, sensor=found)
    stage = stage_storage(tank)
    zones, evidence = [], {}
    for zone in site.zones:
        fitted, known = prove_zone(base, zone, stage, records, now, leak_lph)
        zones.append(fitted)
        evidence[zone.id] = known
    return AsBuilt(
        drawn=site,
        site=replace(base, zones=tuple(zones)),
        zones=evidence,
        sensor=sensor,
        poured=poured,
        due=due(site, done, stales, None, now),
        stale=stales,
        history=done,
        doubts=tuple(doubts),
    )


def first_flow(built: AsBuilt, zone_id: str) -> FlowFactor:
    """Where the learned flow of a zone starts: at 1 of what the as-built site gives, as sure as the tests;
    from the day of the newest one on it clogs. KeyError for an unknown zone."""
    known = built.zones[zone_id]
    if known.tested is None or known.level_min_m is None or known.level_max_m is None:
        return fresh_flow(built.site.zone(zone_id), None)
    # One factor has to serve all levels: the doubt of the middle of those from which a zone is watered.
    sd = float(np.mean([known.flow_sd_share(level) for level in known.levels_m]))
    return FlowFactor(value=1.0, sd=sd, updated=known.tested)


def still_proven(built: AsBuilt, after: Site) -> dict[str, ZoneEvidence]:
    """What is known of the zones on which a change of the site found touches nothing that their flow depends
    on."""
    there = {z.id for z in after.zones}
    return {
        zone: known
        for zone, known in built.zones.items()
        if zone in there
        and not changed_parts("head_flow", site_mark(built.site, zone), site_mark(after, zone))
    }


def _newest(
    done: Mapping[TestKind, tuple[Kept, ...]], stales: Sequence[Stale], kind: TestKind
) -> Kept | None:
    """The newest test of a kind, unless it is of something that is no longer the same."""
    if kind not in done or any(mark.kind == kind for mark in stales):
        return None
    return done[kind][0]


def _poured(
    site: Site, done: Mapping[TestKind, tuple[Kept, ...]], stales: Sequence[Stale], doubts: list[str]
) -> PouredFit | None:
    kept = _newest(done, stales, "poured")
    if kept is None or not isinstance(kept.record, Poured):
        return None
    drawn = stage_storage(replace(site.tank, measured=()))
    try:
        return fit_poured(drawn, [Pour(p.added_l, p.level_m) for p in kept.record.pours])
    except ValueError as error:
        doubts.append(f"the poured litres of {kept.record.at:%Y-%m-%d} were left out: {error}")
        return None


def _sensor(
    site: Site, done: Mapping[TestKind, tuple[Kept, ...]], stales: Sequence[Stale], doubts: list[str]
) -> SensorFit | None:
    kept = _newest(done, stales, "sensor_scale")
    if kept is None or not isinstance(kept.record, SensorScale):
        return None
    try:
        return sensor_scale(site, kept.record)
    except (FallingheadError, ValueError) as error:
        doubts.append(f"the sensor's test of {kept.record.at:%Y-%m-%d} was left out: {error}")
        return None
