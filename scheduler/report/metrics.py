"""Figures of gardens for a program that collects them, in the Prometheus text format, version 0.0.4.

Every name bears its unit. What is not known has no sample: an absent figure, never a zero. Labels hold ids of
gardens, zones, plants and nodes and kinds of alerts; no name of a person, no address, no place, no key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType

from scheduler.control.winter import is_drained
from scheduler.report.answers import StatusAnswer
from scheduler.report.round import last_sign
from scheduler.report.round_gardens import RoundGarden
from scheduler.report.status import status_answer
from scheduler.service.lock import is_served
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
PREFIX = "fallinghead_"

# Name without the prefix -> (type, what it is). Base units of the format where it has them: seconds, metres.
FAMILIES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "readable": ("gauge", "1: the garden's site file and store can be read, 0: not."),
        "heard_age_seconds": ("gauge", "Since the service last wrote anything down."),
        "service_running": ("gauge", "1: its service runs on this machine, 0: not. Not of a fetched copy."),
        "level_metres": ("gauge", "Water surface above the outlet, as believed."),
        "level_low_metres": ("gauge", "Low end of what the level may be."),
        "level_high_metres": ("gauge", "High end of what the level may be."),
        "level_age_seconds": ("gauge", "Since the reading that the level rests on."),
        "stored_litres": ("gauge", "Water above the outlet."),
        "usable_litres": ("gauge", "Water above the reserve."),
        "left_days": ("gauge", "Days the water lasts by the last plan, by case: early, middle, late."),
        "given_litres_total": ("counter", "Drawn through a zone's valve since 1 January, local."),
        "open_seconds_total": ("counter", "How long a zone's valve was open since 1 January, local."),
        "runs_total": ("counter", "Openings of a zone's valve since 1 January, local."),
        "valve_shut": ("gauge", "1: the node says that the zone's valve is shut, 0: it does not."),
        "alert": ("gauge", "1 for each alert that stands, by kind and subject."),
        "alerts": ("gauge", "How many alerts stand."),
        "alerts_urgent": ("gauge", "How many of them are urgent."),
        "watering_stopped": ("gauge", "1: a person stopped all watering, 0: not."),
        "drained": ("gauge", "1: drained for the winter, 0: not."),
        "requests_waiting": ("gauge", "What people asked and the service has not answered."),
        "node_heard_age_seconds": ("gauge", "Since the valve node was last heard; written down half-hourly."),
        "node_supply_volts": ("gauge", "Supply of the valve node as it last said."),
        "node_refused_orders_total": ("counter", "Orders that the node refused since it started."),
        "forecast_age_seconds": ("gauge", "Since the forecast in use was fetched, by source."),
        "plant_depletion_millimetres": ("gauge", "Missing from a full root zone, last balanced day."),
        "plant_stress": ("gauge", "1 - Ks of FAO-56, last balanced day: 0 none, 1 it can draw nothing."),
    }
)

Labels = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Sample:
    """One figure; ``value`` None: not known, not written."""

    name: str
    value: float | None
    labels: Labels


def metrics_text(gardens: Sequence[RoundGarden], now: datetime) -> str:
    """All figures of those gardens. A garden that cannot be read has ``readable`` 0 and nothing else."""
    samples: dict[str, list[Sample]] = {name: [] for name in FAMILIES}
    for ident, garden in _named(gardens):
        for sample in _garden(ident, garden, now):
            if sample.value is not None:
                samples[sample.name].append(sample)
    return "".join(_family(name, found) for name, found in samples.items() if found)


def _named(gardens: Sequence[RoundGarden]) -> Iterator[tuple[str, RoundGarden]]:
    """Each garden by its id; those of one id by their files too, or their figures would be one."""
    ids = [g.site.id if g.site is not None else g.name for g in gardens]
    for ident, garden in zip(ids, gardens, strict=True):
        yield (f"{ident} ({garden.file})" if ids.count(ident) > 1 else ident), garden


def _garden(ident: str, garden: RoundGarden, now: datetime) -> list[Sample]:
    own = {"garden": ident}
    if garden.site is None or garden.store is None:
        return [Sample("readable", 0, own)]
    try:
        with Store(store_url(garden.store), garden.site.id, service=False) as store:
            running = None if garden.copied else is_served(garden.store)
            found = list(_figures(own, garden.site, store, now, running))
    except Exception:  # one garden must not take the figures of the others with it; ``round`` says why
        return [Sample("readable", 0, own)]
    return [Sample("readable", 1, own), *found]


def _figures(own: Labels, site: Site, store: Store, now: datetime, running: bool | None) -> Iterator[Sample]:
    status = status_answer(site, store, now, running=bool(running))
    yield Sample("heard_age_seconds", _age_s(now, last_sign(store)), own)
    yield Sample("service_running", None if running is None else int(running), own)
    yield from _water(own, status, now)
    yield from _drawn(own, site, store, now)
    yield from _node(own, site, store, status, now)
    yield from _alerts(own, store)
    yield Sample("watering_stopped", int(status.stopped_by is not None), own)
    yield Sample("drained", int(is_drained(store.choices_now())), own)
    yield Sample("requests_waiting", status.waiting_requests, own)
    if status.weather_source is not None:
        source = {**own, "source": status.weather_source}
        yield Sample("forecast_age_seconds", _age_s(now, status.weather_fetched_at), source)
    yield from _plants(own, store, now.astimezone(site.place.timezone).date())


def _water(own: Labels, status: StatusAnswer, now: datetime) -> Iterator[Sample]:
    known = status.level_m is not None
    yield Sample("level_metres", status.level_m, own)
    yield Sample("level_low_metres", status.level_low_m if known else None, own)
    yield Sample("level_high_metres", status.level_high_m if known else None, own)
    yield Sample("level_age_seconds", _age_s(now, status.level_at) if known else None, own)
    yield Sample("stored_litres", status.total_l, own)
    yield Sample("usable_litres", status.usable_l, own)
    cases = {
        "early": status.days_left_early,
        "middle": status.days_left_middle,
        "late": status.days_left_late,
    }
    for case, days in cases.items():
        yield Sample("left_days", days, {**own, "case": case})


def _drawn(own: Labels, site: Site, store: Store, now: datetime) -> Iterator[Sample]:
    """Counters begin at nothing each New Year; a collecting program takes that for a new beginning."""
    year = now.astimezone(site.place.timezone).year
    bookings = store.bookings_since(date(year, 1, 1))
    for zone in site.zones:
        mine = [b for b in bookings if b.zone == zone.id]
        labels = {**own, "zone": zone.id}
        yield Sample("given_litres_total", sum(b.volume_l for b in mine), labels)
        yield Sample("open_seconds_total", sum(b.open_s for b in mine), labels)
        yield Sample("runs_total", len(mine), labels)


def _node(own: Labels, site: Site, store: Store, status: StatusAnswer, now: datetime) -> Iterator[Sample]:
    node = next((n for n in store.nodes_seen() if n.node == site.node.id), None)
    if node is None:
        return
    labels = {**own, "node": node.node}
    yield Sample("node_heard_age_seconds", _age_s(now, node.heard_at), labels)
    if status.node_heard_at is None:
        return  # what it said is too old to be true of now
    volts = node.supply_mv / 1000.0 if node.supply_mv is not None else None
    yield Sample("node_supply_volts", volts, labels)
    yield Sample("node_refused_orders_total", node.refused_total, labels)
    positions = dict(node.valves)
    for zone in site.zones:
        said = positions.get(zone.valve.channel)
        yield Sample("valve_shut", None if said is None else int(said == "closed"), {**own, "zone": zone.id})


def _alerts(own: Labels, store: Store) -> Iterator[Sample]:
    alerts = store.open_alerts()
    for alert in alerts:
        yield Sample("alert", 1, {**own, "kind": alert.kind, "subject": alert.subject})
    yield Sample("alerts", len(alerts), own)
    yield Sample("alerts_urgent", sum(a.urgent for a in alerts), own)


def _plants(own: Labels, store: Store, today: date) -> Iterator[Sample]:
    roots = store.root_zones_since(date.fromordinal(today.toordinal() - 3))  # as far back as in ``status``
    last = max((r.day for r in roots), default=None)
    for root in roots:
        if root.day == last:
            labels = {**own, "plant": root.plant}
            yield Sample("plant_depletion_millimetres", root.depletion_mm, labels)
            yield Sample("plant_stress", root.stress, labels)


def _age_s(now: datetime, at: datetime | None) -> float | None:
    return None if at is None else max(0.0, (now - at).total_seconds())


def _family(name: str, samples: Sequence[Sample]) -> str:
    kind, text = FAMILIES[name]
    full = PREFIX + name
    lines = [f"# HELP {full} {text}", f"# TYPE {full} {kind}"]
    for sample in samples:
        labels = ",".join(f'{k}="{_escaped(v)}"' for k, v in sample.labels.items())
        lines.append(f"{full}{{{labels}}} {sample.value}")
    return "".join(f"{line}\n" for line in lines)


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
