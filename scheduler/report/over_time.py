"""How a zone's flow and its evenness went over some weeks: months of runs, and tests with catch cans."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING

from scheduler.planning.garden import GardenModel
from scheduler.report.answers import ReportedEvennessAnswer, ReportedFlowAnswer
from scheduler.report.drift import flow_rows
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.store.store import Store
from scheduler.survey.drift_cause import FlowRow

if TYPE_CHECKING:
    from scheduler.survey.zone_readings import Kept

# Two-sided 95 % of a normal distribution.
TIMES_95 = 1.96


def flow_by_month(
    model: GardenModel, store: Store, begins: datetime, ends: datetime
) -> list[ReportedFlowAnswer]:
    """Each zone's proven runs of a month against one curve, that of ``model`` (of the site as built), so that
    the months can be compared."""
    site = model.site
    zone = site.place.timezone
    rows = flow_rows(
        model,
        store.intents_since(begins),
        store.bookings_since(begins.astimezone(zone).date()),
        store.measured_since(begins),
        dict.fromkeys((z.id for z in site.zones), None),
    )
    months: dict[tuple[str, date], list[FlowRow]] = {}
    for row in rows:
        if row.at < ends and row.modelled_l > 0.0:
            month = row.at.astimezone(zone).date().replace(day=1)
            months.setdefault((row.zone, month), []).append(row)
    order = [z.id for z in site.zones]
    return [
        ReportedFlowAnswer(zone=zone_id, month=month, runs=len(mine), index=_index(mine))
        for (zone_id, month), mine in sorted(months.items(), key=lambda m: (order.index(m[0][0]), m[0][1]))
    ]


def _index(rows: Iterable[FlowRow]) -> tuple[float, float, float]:
    """Litres measured over litres modelled, one index through all runs: least squares, each run weighed by
    its own error."""
    weights = [(r.modelled_l / r.sd_l**2, r) for r in rows]
    square = sum(w * r.modelled_l for w, r in weights)
    index, half = sum(w * r.measured_l for w, r in weights) / square, TIMES_95 / math.sqrt(square)
    return index, index - half, index + half


def evenness(
    site: Site, kept: Sequence[Kept], begins: datetime, ends: datetime, now: datetime
) -> list[ReportedEvennessAnswer]:
    """Every test with catch cans that makes sense. ``site``: as its file has it."""
    tests = [t for t in kept if t.record.kind == "catch_cans" and begins <= t.record.at < ends]
    if not tests:
        return []
    # Loaded here: a report without such tests does without it.
    from scheduler.report.commissioning import judged
    from scheduler.survey.catch_cans import CanResult
    from scheduler.survey.tests_due import standing

    found = []
    for test in standing(kept):
        if test not in tests:
            continue
        try:
            result = judged(site, kept, test.record, now)
        except (FallingheadError, ValueError):
            continue
        if isinstance(result, CanResult) and result.by_emitter is not None and test.record.zone:
            du = result.by_emitter.du
            found.append(
                ReportedEvennessAnswer(
                    zone=test.record.zone, at=test.record.at, du=(du.value, du.low, du.high)
                )
            )
    return sorted(found, key=lambda e: (e.zone, e.at))
