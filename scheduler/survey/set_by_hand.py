"""Bubblers that were turned: what cans after a trimming are judged against.

A bubbler closed as the cans advised gives less than it is drawn with, and is not clogged. Once it was
measured at its new setting it is judged by that; before, only whether it gives anything at all. A can that
stayed empty is no such measure: it tells that the bubbler was clogged, not how it is set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from scheduler.site.model import Emitter, Site
from scheduler.survey.as_built import as_built
from scheduler.survey.catch_cans import catch_cans
from scheduler.survey.changes import with_emitters
from scheduler.survey.site_mark import site_mark
from scheduler.survey.tests_done import Can, CatchCans, Trim
from scheduler.survey.tests_due import standing
from scheduler.survey.zone_readings import Kept, TestDone


@dataclass(frozen=True, slots=True)
class Baseline:
    """``site``: with the flow of each turned bubbler as it was measured since; ``unknown``: turned and not
    measured since."""

    site: Site
    unknown: frozenset[str]


def baseline(site: Site, judged: Site, records: Sequence[Kept], cans: CatchCans) -> Baseline:
    """``site``: as drawn; ``judged``: as its other emitters are judged. ``records``: all of the garden."""
    before = [k for k in standing(records) if k.record.at < cans.at]
    turned = _turned(site, cans.zone, before)
    before = [_without_dead(judged, kept, cans.zone, turned) for kept in before]
    measured = {e for e, at in turned.items() if _measured_since(e, at, cans.zone, before)}
    found = judged
    if measured:
        built = as_built(site, before, now=cans.at).site.zone(cans.zone)
        laws = {e.id: e for e in built.emitters if e.id in measured}
        found = with_emitters(judged, lambda e: (_as_found(e, laws.get(e.id)),))
    return Baseline(found, frozenset(turned) - measured)


def _turned(site: Site, zone: str, before: Sequence[Kept]) -> dict[str, datetime]:
    """When each was last turned since it was drawn as it is."""
    drawn = site_mark(site, zone).emitters_then or {}
    found: dict[str, datetime] = {}
    for kept in before:
        if isinstance(kept.record, Trim) and kept.record.zone == zone:
            then = kept.mark.emitters_then or drawn
            for turn in kept.record.turns:
                if turn.emitter in drawn and then.get(turn.emitter, ())[:2] == drawn[turn.emitter][:2]:
                    found[turn.emitter] = kept.record.at
    return found


def _without_dead(judged: Site, kept: Kept, zone: str, turned: dict[str, datetime]) -> Kept:
    """Cans without those of turned bubblers that were dead, or stood too high to give anything."""
    record = kept.record
    if not isinstance(record, CatchCans) or record.zone != zone:
        return kept
    since = {e for e, at in turned.items() if record.at > at}
    if since.isdisjoint(can.emitter for can in record.cans):
        return kept
    emitters = catch_cans(judged, record, turned=since).emitters
    dead = since & {e.emitter for e in emitters if e.finding in ("dead", "drawn dry")}
    cans = tuple(Can(emitter=c.emitter, volume_l=None) if c.emitter in dead else c for c in record.cans)
    return TestDone(kept.id, record.model_copy(update={"cans": cans}), kept.mark)


def _measured_since(emitter: str, at: datetime, zone: str, before: Sequence[Kept]) -> bool:
    """Right after the turning, at a level that is known, or in cans set out since."""
    here = [k.record for k in before if k.record.zone == zone]
    turns = (t for r in here if isinstance(r, Trim) and r.at == at and r.level_m is not None for t in r.turns)
    cans = (c for r in here if isinstance(r, CatchCans) and r.at > at for c in r.cans)
    return any(t.emitter == emitter and t.volume_l and t.run_s for t in turns) or any(
        c.emitter == emitter and c.volume_l is not None for c in cans
    )


def _as_found(drawn: Emitter, found: Emitter | None) -> Emitter:
    if found is None:
        return drawn
    return replace(drawn, coefficient_lph=found.coefficient_lph, exponent=found.exponent)
