"""The garden to plan with: as drawn in the site file, with what its kept tests have found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from scheduler.control.events import GardenTested
from scheduler.control.state import Saved
from scheduler.planning.garden import garden_model
from scheduler.sensing.flow import FlowFactor
from scheduler.site.model import Site
from scheduler.store.store import Store


@dataclass(frozen=True, slots=True)
class TestedGarden:
    """``flow``: where the learned flow of each tested zone begins, from the day of its newest test on."""

    __test__ = False  # not a class of pytest's

    site: Site
    flow: tuple[tuple[str, FlowFactor], ...]
    sensor_tested: datetime | None
    records: int


def garden_as_tested(site: Site, store: Store, now: datetime) -> TestedGarden:
    """The site as built. StoreError when the records cannot be read."""
    records = store.test_records()
    if not records:
        return TestedGarden(site, (), None, 0)
    # Loaded here: a garden without tests does without it.
    from scheduler.survey.as_built import as_built, first_flow

    built = as_built(site, records, now=now)
    flow = tuple((z.id, first_flow(built, z.id)) for z in site.zones if built.zones[z.id].tested is not None)
    sensor = built.history["sensor_scale"][0].record.at if built.sensor is not None else None
    return TestedGarden(built.site, flow, sensor, len(records))


def begun_from_tests(saved: Saved, tested: TestedGarden) -> Saved:
    """What was learned before the newest test of a zone, or of the sensor, no longer counts."""
    learned = dict(saved.flow_factors)
    for zone, flow in tested.flow:
        if _newer(flow.updated, learned[zone].updated if zone in learned else None):
            learned[zone] = flow
    saved = replace(saved, flow_factors=tuple(learned.items()))
    told = saved.hand_level[0] if saved.hand_level is not None else None
    if tested.sensor_tested is not None and _newer(tested.sensor_tested, told):
        saved = replace(saved, level_offset_m=0.0)
    return saved


def news(before: TestedGarden, tested: TestedGarden) -> GardenTested:
    """What the controller is told when tests were added while it runs."""
    known = dict(before.flow)
    afresh = tuple((z, f) for z, f in tested.flow if known.get(z) != f)
    return GardenTested(tested.site, garden_model(tested.site), afresh)


def _newer(one: datetime | None, other: datetime | None) -> bool:
    return one is not None and (other is None or one > other)
