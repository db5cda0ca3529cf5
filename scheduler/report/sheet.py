"""The commissioning sheet: what the tests of a garden found, with what certainty, against last time."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

import numpy as np

from scheduler.planning.garden import GardenModel, garden_model
from scheduler.report.answers import (
    DriftAnswer,
    SheetAnswer,
    SheetCanAnswer,
    SheetCurveAnswer,
    SheetDueAnswer,
    SheetEvennessAnswer,
    SheetTestAnswer,
    SheetZoneAnswer,
)
from scheduler.report.commissioning import VISIT, doubts_of, judged, turn_words
from scheduler.report.forms import STEP_OF
from scheduler.report.survey import advice_answer, advice_words
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.supply.stage import stage_storage
from scheduler.survey.advice import advise
from scheduler.survey.as_built import AsBuilt, Kept, ZoneEvidence, as_built
from scheduler.survey.catch_cans import CanResult
from scheduler.survey.head_flow import HeadFlowFit
from scheduler.survey.tests_done import CatchCans, HeadFlow, TestKind, changed_parts, site_mark
from scheduler.survey.tests_due import standing

# Shares of the full level at which the sheet prints a zone's flow, highest first.
LEVEL_SHARES = (1.0, 0.75, 0.5, 0.25, 0.1)
# Half width of a 95 % interval in standard errors.
TIMES_95 = 1.96
# Advice beyond these few is not for a sheet.
ADVICE_MOST = 5
_CAUTIONS = (
    "Barrel water is not for drinking: mark every tap.",
    "Top up from the mains only through an air gap above the rim; never lay a hose into a barrel.",
    "A motor valve stays as it stands when the power goes: know where the hand tap is.",
    "Before the first hard frost drain barrels and lines and leave the valves half open.",
    "Children and animals: lids shut, and the stand fixed against tipping.",
)


def sheet_answer(
    site: Site, kept: Sequence[Kept], now: datetime, drift: DriftAnswer | None = None
) -> SheetAnswer:
    """The sheet of a garden by its kept tests; ``now`` gives its date and what is due, ``drift`` what the
    runs since the tests say."""
    tests = standing(kept)
    newest = max((k.record.at for k in tests), default=None)
    earlier = [k for k in tests if newest is not None and k.record.at < newest - VISIT]
    visit = [k for k in tests if k not in earlier]
    built = as_built(site, kept, now=now)
    before = as_built(site, earlier, now=now) if earlier else None
    model, last = garden_model(built.site), garden_model(before.site) if before is not None else None
    stage = stage_storage(built.site.tank)
    zones = [_zone(site, kept, built, before, model, last, z.id, now) for z in site.zones]
    doubts = doubts_of(site, built)
    return SheetAnswer(
        id=site.id,
        name=site.name,
        printed=now.astimezone(site.place.timezone).date(),
        tested_from=min((k.record.at for k in visit), default=None),
        tested_to=newest,
        last_time=max((k.record.at for k in earlier), default=None),
        people=list(dict.fromkeys(k.record.who for k in visit)),
        brim_level_m=stage.brim_level_m,
        full_l=stage.full_l,
        reserve_l=site.reserve.volume_l,
        tests=_tests(site, kept, built, now),
        zones=zones,
        advice=_advice(built.site, {z.id for z in zones if z.turns}),
        cautions=list(_CAUTIONS),
        drift=[z.text for z in drift.zones if z.index is not None] if drift is not None else [],
        due=[SheetDueAnswer(step=STEP_OF[d.kind], zone=d.zone, reason=d.reason) for d in built.all_due],
        doubts=doubts,
    )


def _zone(
    site: Site,
    kept: Sequence[Kept],
    built: AsBuilt,
    before: AsBuilt | None,
    model: GardenModel,
    last: GardenModel | None,
    zone_id: str,
    now: datetime,
) -> SheetZoneAnswer:
    known = built.zones[zone_id]
    was = before.zones[zone_id] if before is not None else None
    fit = _result(site, kept, known, "head_flow", now)
    flow = fit if isinstance(fit, HeadFlowFit) else None
    cans, turns, level_m, evenness = _cans(site, kept, known, was, now)
    return SheetZoneAnswer(
        id=zone_id,
        name=site.zone(zone_id).name,
        k_lph=(flow.k_lph.value, flow.k_lph.low, flow.k_lph.high) if flow else None,
        x=(flow.x.value, flow.x.low, flow.x.high) if flow else None,
        x_measured=flow is not None and flow.x_from == "measured",
        head_min_m=flow.head_min_m if flow else None,
        head_max_m=flow.head_max_m if flow else None,
        curve=list(_curve(model, last if was is not None and was.tested else None, known, zone_id)),
        cans_level_m=level_m,
        cans=cans,
        evenness=evenness,
        turns=turns,
        tests=_tests(site, kept, known, now),
    )


def _curve(
    model: GardenModel, last: GardenModel | None, known: ZoneEvidence, zone_id: str
) -> Iterable[SheetCurveAnswer]:
    brim = model.stage.brim_level_m
    for level in (share * brim for share in LEVEL_SHARES):
        flow = _flow_lph(model, zone_id, level)
        half = TIMES_95 * known.flow_sd_share(level) * flow
        low, high = known.level_min_m, known.level_max_m
        yield SheetCurveAnswer(
            level_m=level,
            flow_lph=flow,
            low_lph=max(0.0, flow - half),
            high_lph=flow + half,
            tested=low is not None and high is not None and low <= level <= high,
            last_lph=_flow_lph(last, zone_id, min(level, last.stage.brim_level_m)) if last else None,
        )


def _flow_lph(model: GardenModel, zone_id: str, level_m: float) -> float:
    zone = model.zones[zone_id]
    return float(np.sum(zone.curve.flows_lph(zone.outlet_level_m(level_m))))


def _cans(
    site: Site, kept: Sequence[Kept], known: ZoneEvidence, was: ZoneEvidence | None, now: datetime
) -> tuple[list[SheetCanAnswer], list[str], float | None, list[SheetEvennessAnswer]]:
    result = _result(site, kept, known, "catch_cans", now)
    if not isinstance(result, CanResult):
        return [], [], None, []
    record = known.history["catch_cans"][0].record
    assert isinstance(record, CatchCans)
    before = _result(site, kept, was, "catch_cans", now) if was is not None else None
    last = before if isinstance(before, CanResult) else None
    flows = last.flows_lph if last else {}
    volumes = {can.emitter: can.volume_l for can in record.cans}
    rows = [
        SheetCanAnswer(
            emitter=e.emitter,
            plant=e.plant,
            volume_l=volumes.get(e.emitter),
            flow_lph=e.flow_lph,
            share=e.share,
            finding=e.finding,
            last_lph=flows.get(e.emitter),
        )
        for e in result.emitters
    ]
    return rows, turn_words(site, record, result), result.level_m, list(_evenness(result, last))


def _evenness(result: CanResult, last: CanResult | None) -> Iterable[SheetEvennessAnswer]:
    for name in ("by_emitter", "by_plant", "by_want"):
        found = getattr(result, name)
        was = getattr(last, name) if last else None
        if found is not None:
            yield SheetEvennessAnswer(
                of={"by_emitter": "emitter", "by_plant": "plant", "by_want": "litre wanted"}[name],
                du=found.du.value,
                du_low=found.du.low,
                du_high=found.du.high,
                emission_uniformity=found.eu,
                statistical_uniformity=found.us,
                grade=found.grade,
                last_du=was.du.value if was is not None else None,
            )


def _result(site: Site, kept: Sequence[Kept], known: ZoneEvidence, kind: TestKind, now: datetime) -> object:
    """The analysis of a zone's newest test of a kind. None: not done, it makes no sense, or it was done on a
    garden that has changed since, so that its figures would be those of no garden."""
    if kind not in known.history or _changed(site, known.history[kind][0]):
        return None
    record = known.history[kind][0].record
    assert isinstance(record, CatchCans | HeadFlow)
    try:
        return judged(site, kept, record, now)
    except (FallingheadError, ValueError):
        return None


def _tests(
    site: Site, kept: Sequence[Kept], known: AsBuilt | ZoneEvidence, now: datetime
) -> list[SheetTestAnswer]:
    """The newest test of each kind, and the one before it."""
    found = []
    for kind, tests in known.history.items():
        new, old = tests[0], tests[1] if len(tests) > 1 else None
        found.append(
            SheetTestAnswer(
                record=new.id,
                step=STEP_OF[kind],
                zone=new.record.zone,
                at=new.record.at,
                who=new.record.who,
                note=new.record.note,
                verdict=_verdict(site, kept, new, now),
                stale=_changed(site, new),
                last_at=old.record.at if old else None,
                last_verdict=_verdict(site, kept, old, now) if old else None,
            )
        )
    steps = list(STEP_OF.values())
    return sorted(found, key=lambda t: steps.index(t.step))


def _changed(site: Site, test: Kept) -> str:
    """What of the garden is no longer as it was at that test, in words; empty: nothing."""
    record = test.record
    if record.zone is not None and record.zone not in {z.id for z in site.zones}:
        return "the zone"
    return " and ".join(changed_parts(record.kind, test.mark, site_mark(site, record.zone)))


def _verdict(site: Site, kept: Sequence[Kept], test: Kept, now: datetime) -> str:
    if changed := _changed(site, test):
        return f"Done before a change of {changed}."
    try:
        return judged(site, kept, test.record, now).verdict
    except (FallingheadError, ValueError) as error:
        return f"Nothing can be worked out from it: {error}."


def _advice(site: Site, turned: Collection[str]) -> list[str]:
    """The first few; bubblers to turn in a zone whose cans say so already are left out."""
    found = [a for a in advise(site) if a.trim is None or a.zone not in turned]
    return [advice_words(site, advice_answer(a)) for a in found[:ADVICE_MOST]]
