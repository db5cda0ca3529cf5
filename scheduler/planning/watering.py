"""A day's plan: which zones run, when, for how long, what each plant gets, and why.

The rule when there is not enough for all: zones are taken by the best (lowest) rank among their due plants,
then by how overdue those are. Each is sized in full from the level that the ones before it leave. A zone that
its floor would cut below ``LEAST_USEFUL_SHARE`` of what its first-ranked due plants want is not sipped but
skipped, and zones of a lower rank behind it are skipped too: deep over little, and first ranks first.

While the store will not last (module ``spending``), rationing decides before that which zones are watered and
how much each gets.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from math import inf
from typing import TYPE_CHECKING

from scheduler.planning import words
from scheduler.planning.calls import ZoneCall, put_off, rationed_calls, reach_notes, zone_calls
from scheduler.planning.garden import GardenModel
from scheduler.planning.plan import Plan, PlannedRun, PlantShare, Reason, SkippedZone
from scheduler.planning.rain_today import rain_bound
from scheduler.planning.sizing import longest_run, occupied_s, size_run
from scheduler.planning.soaking import Begun, at_once, whole_runs, with_pauses
from scheduler.planning.store_days import rain_ahead, store_outlook
from scheduler.planning.windows import WindowSpan, spans_of_day
from scheduler.sensing.belief import LevelBelief

if TYPE_CHECKING:
    from scheduler.agronomy.need import PlantNeed
    from scheduler.agronomy.weather import Outlook
    from scheduler.planning.lasting import Lasting
    from scheduler.planning.spending import Ration
    from scheduler.sensing.flow import FlowFactor

__all__ = ["plan_day", "size_run"]
# Below this share of its need a plant is better watered deep and rarely (trade practice; the value is ours).
LEAST_USEFUL_SHARE = 0.5
# Between two runs the level comes to rest and is read (15 min also settle slowly linked barrels).
REST_BETWEEN_RUNS_S = 900.0
# An unknown level may be replaced by the lower bound of one no older than this.
LAST_KNOWN_AGE = timedelta(hours=48)
# A run shorter than this is not worth the valve's travel.
SHORTEST_RUN_S = 5.0
# What ends a run before its plants have what is meant for them.
_CUTS = ("reserve", "worst_emitter", "window", "longest_open", "longest_day")


@dataclass(frozen=True, slots=True)
class _Level:
    """Where planning starts: the level, and how much lower it may be."""

    level_m: float
    margin_m: float
    reasons: tuple[Reason, ...]


def plan_day(
    model: GardenModel,
    *,
    now: datetime,
    day: date,
    belief: LevelBelief,
    needs: Mapping[str, PlantNeed],
    flow_factors: Mapping[str, FlowFactor],
    outlook: Outlook | None,
    daily_use_l: Sequence[float] = (),
    held: Collection[str] = (),
    last_known: LevelBelief | None = None,
    ration: Ration | None = None,
    begun: Mapping[str, Begun] | None = None,
    lasting: Lasting | None = None,
    leak_l: float = 0.0,
) -> Plan:
    """The plan of a local day, from ``now`` on. The same arguments give the same plan.

    Runs are sized from the believed level; floors are held by its lower bound, so that what is not known of
    the level is not drawn. An unknown level waters nothing, unless ``last_known`` is younger than 48 h: then
    its lower bound serves. ``held``: zones not to be watered. ``daily_use_l``: the garden's use, from today.
    ``ration``: the day's rationing, where it is in force. ``begun``: zones that had some of today's openings
    and get the rest, though their plants are not due any more. ``lasting``: how long the store lasts; where
    no weather tells, it is reckoned from ``daily_use_l`` and the forecast alone. ``leak_l``: litres a day
    that a known leak takes, counted in there too.
    """
    level = _start_level(model, now, belief, last_known)
    begun = begun or {}
    level_m = level.level_m if level is not None else None
    calls, skipped = zone_calls(model, needs, held, begun, level_m, day)
    calls, off = put_off(model, calls, needs, outlook, day, level_m, begun)
    skipped.update(off)
    if ration is not None:
        calls, kept = rationed_calls(model, calls, ration, begun, level_m)
        skipped.update(kept)
    runs: tuple[PlannedRun, ...] = ()
    if level is None:
        reason = words.level_unknown(belief)
        skipped.update({c.zone_id: SkippedZone(c.zone_id, (reason,)) for c in calls})
    else:
        notes = reach_notes(model, needs, level_m)
        factors = {zone_id: factor.value for zone_id, factor in flow_factors.items()}
        spans = spans_of_day(model.site, day)
        # Sized as to be split; where the level allows no split after all, each as one opening.
        for split in (True, False):
            runs, unserved = _place(model, now, day, level, calls, needs, flow_factors, ration, begun, split)
            runs = tuple(replace(r, reasons=(*r.reasons, *notes.get(r.zone, ()))) for r in runs)
            runs = with_pauses(model, runs, spans, factors, REST_BETWEEN_RUNS_S, begun, level.margin_m)
            if not any(_too_long(model, r) for r in runs):
                break
        skipped.update(unserved)
        # The rest of a run may find no window behind its pause.
        missed = {c.zone_id for c in calls} & begun.keys() - {r.zone for r in runs} - skipped.keys()
        skipped.update({z: SkippedZone(z, (words.no_window(),)) for z in missed})
        skipped = {z: replace(s, reasons=(*s.reasons, *notes.get(z, ()))) for z, s in skipped.items()}
    usable_from = belief.level_m if belief.known or level is None else level.level_m
    store = store_outlook(model, usable_from, daily_use_l, rain_ahead(outlook, day), leak_l=leak_l)
    return Plan(
        day=day,
        made_at=now,
        runs=runs,
        skipped=tuple(skipped[z.id] for z in model.site.zones if z.id in skipped),
        shares=_all_shares(model, runs, needs, day),
        store=store if lasting is None or level is None else lasting.of(store),
        reasons=(
            *(level.reasons if level is not None else (words.level_unknown(belief),)),
            *((words.in_force(ration),) if ration is not None else ()),
        ),
    )


def _start_level(
    model: GardenModel, now: datetime, belief: LevelBelief, last_known: LevelBelief | None
) -> _Level | None:
    units = model.site.units
    if belief.level_m is not None:
        low_m = belief.level_m if belief.low_m is None else min(belief.low_m, belief.level_m)
        doubtful = belief.quality == "doubtful"
        reasons = (words.level_doubtful(units, belief, low_m),) if doubtful else ()
        return _Level(belief.level_m, belief.level_m - low_m, reasons)
    if last_known is None or last_known.low_m is None or last_known.at is None:
        return None
    age = now - last_known.at
    if age > LAST_KNOWN_AGE:
        return None
    reason = words.level_old(units, age.total_seconds() / 3600.0, last_known.low_m)
    return _Level(last_known.low_m, 0.0, (reason,))


def _targets_l(
    model: GardenModel,
    call: ZoneCall,
    needs: Mapping[str, PlantNeed],
    ration: Ration | None,
    begun: Begun | None,
) -> dict[str, float]:
    plants = model.zones[call.zone_id].plants
    if begun is not None:
        return {p: min(begun.rest_l.get(p, 0.0), needs[p].wanted_l) for p in plants if p in needs}
    if ration is not None and ration.way == "ranked" and call.zone_id in ration.zones:
        return ration.targets_l(call.zone_id, plants)
    return {p: needs[p].wanted_l for p in plants if p in needs}


def _as_wanted(
    model: GardenModel, run: PlannedRun, needs: Mapping[str, PlantNeed], ration: Ration
) -> PlannedRun:
    """A rationed run beside what its plants want, with the reason for the difference."""
    zone = ration.zones.get(run.zone)
    if zone is None:
        return run
    shares = tuple(
        replace(s, wanted_l=needs[s.plant].wanted_l) if s.plant in needs else s for s in run.shares
    )
    reason = words.rationed_dose(
        model.site.units, dose_l=zone.dose_l, share=zone.given_l / zone.dose_l, run_l=run.volume_l
    )
    return replace(run, shares=shares, reasons=(*run.reasons, reason))


def _place(
    model: GardenModel,
    now: datetime,
    day: date,
    level: _Level,
    calls: list[ZoneCall],
    needs: Mapping[str, PlantNeed],
    flow_factors: Mapping[str, FlowFactor],
    ration: Ration | None,
    begun: Mapping[str, Begun],
    split: bool,
) -> tuple[tuple[PlannedRun, ...], dict[str, SkippedZone]]:
    """Runs one after the other, the level falling from one to the next, and the zones left out. ``split``:
    slow ground will have its run in several openings."""
    spans = spans_of_day(model.site, day)
    cursor, level_m = now, level.level_m
    runs: list[PlannedRun] = []
    skipped: dict[str, SkippedZone] = {}
    short: list[ZoneCall] = []  # zones for which there was not enough
    for call in calls:
        before = [s for s in short if s.rank < call.rank]
        if before:
            names = [model.zones[s.zone_id].zone.name for s in before]
            skipped[call.zone_id] = SkippedZone(call.zone_id, (words.rationed_behind(names),))
            continue
        factor = flow_factors[call.zone_id].value if call.zone_id in flow_factors else 1.0
        rest = begun.get(call.zone_id)
        targets = _targets_l(model, call, needs, ration, rest)
        once_s = at_once(model, call.zone_id, level_m, factor).run_s if split else inf
        found = _first_fitting(
            model, call, spans, cursor, level_m, level.margin_m, targets, needs, factor, once_s
        )
        if isinstance(found, PlannedRun):
            found = _judge(model, call, found, level_m, level.margin_m)
        if isinstance(found, PlannedRun) and ration is not None and ration.way == "ranked" and rest is None:
            found = _as_wanted(model, found, needs, ration)
        if isinstance(found, SkippedZone):
            skipped[call.zone_id] = found
            if any(r.code in ("rationed", "reserve", "worst_emitter") for r in found.reasons):
                short.append(call)
            continue
        runs.append(replace(found, reasons=(*found.reasons, *rain_bound(model, call.zone_id, needs))))
        level_m = found.level_end_m
        # A run of more than one opening pauses at the latest where the node would end it: others go on there.
        at_once_s = min(found.run_s, _one_opening_s(model, call.zone_id))
        taken_s = occupied_s(model.zones[call.zone_id].zone.valve, at_once_s) + REST_BETWEEN_RUNS_S
        cursor = found.start + timedelta(seconds=taken_s)
    return tuple(runs), skipped


def _first_fitting(
    model: GardenModel,
    call: ZoneCall,
    spans: Sequence[WindowSpan],
    cursor: datetime,
    level_m: float,
    margin_m: float,
    targets: Mapping[str, float],
    needs: Mapping[str, PlantNeed],
    flow_factor: float,
    at_once_s: float,
) -> PlannedRun | SkippedZone:
    """The run in the first window that takes it whole, else in the one that takes most of it."""
    best: PlannedRun | SkippedZone = SkippedZone(call.zone_id, (words.no_window(),))
    for span in spans:
        start = max(cursor, span.start)
        if start >= span.end:
            continue
        found = size_run(
            model,
            call.zone_id,
            start=start,
            level_m=level_m,
            targets_l=targets,
            needs=needs,
            flow_factor=flow_factor,
            longest_open_s=model.site.node.longest_open_s,
            at_once_s=at_once_s,
            latest_end=span.end,
            floor_margin_m=margin_m,
        )
        if isinstance(found, SkippedZone):
            if found.reasons[0].code != "window":
                return found
            continue
        if not any(r.code == "window" for r in found.reasons):
            return found
        if isinstance(best, SkippedZone) or found.run_s > best.run_s:
            best = found
    return best


def _too_long(model: GardenModel, run: PlannedRun) -> bool:
    """Whether the node would shut an opening before its end."""
    return run.run_s > _one_opening_s(model, run.zone)


def _one_opening_s(model: GardenModel, zone_id: str) -> float:
    longest_s, _ = longest_run(model.zones[zone_id].zone.valve, model.site.node.longest_open_s)
    return longest_s


def _judge(
    model: GardenModel, call: ZoneCall, run: PlannedRun, level_m: float, margin_m: float
) -> PlannedRun | SkippedZone:
    """Deep over little: a run that its floor cuts too far is skipped; one cut less says so."""
    if run.run_s < SHORTEST_RUN_S:
        cut = [r for r in run.reasons if r.code in _CUTS]
        return SkippedZone(run.zone, tuple(cut) or (words.nothing_wanted(),))
    floor = [r for r in run.reasons if r.code in ("reserve", "worst_emitter")]
    if not floor:
        return run
    first = [s for s in run.shares if s.plant in call.first]
    share = min(1.0, sum(min(s.given_l, s.wanted_l) for s in first) / sum(s.wanted_l for s in first))
    if share >= LEAST_USEFUL_SHARE:
        return replace(run, reasons=(*run.reasons, words.rationed_run(share)))
    floor_m = model.floor_level_m(run.zone) + margin_m
    usable_l = max(0.0, model.stage.volume_l(level_m) - model.stage.volume_l(floor_m))
    out = words.rationed_out(model.site.units, share=share, least=LEAST_USEFUL_SHARE, usable_l=usable_l)
    return SkippedZone(run.zone, (out, *floor))


def _all_shares(
    model: GardenModel, runs: Sequence[PlannedRun], needs: Mapping[str, PlantNeed], day: date
) -> tuple[PlantShare, ...]:
    """Every plant of the site, in its order, with what it wants and gets."""
    given = {s.plant: s for run in whole_runs(runs) for s in run.shares}
    zone_of = {p: zone_id for zone_id, zone in model.zones.items() for p in zone.plants}
    shares: list[PlantShare] = []
    for plant in model.site.plants:
        need, share = needs.get(plant.id), given.get(plant.id)
        reasons: tuple[Reason, ...] | None = None
        if plant.planted is not None and plant.planted > day:
            reasons = (words.not_planted_yet(plant.name, plant.planted),)
        if share is not None:
            shares.append(share if reasons is None else replace(share, reasons=reasons))
        elif need is not None:
            if reasons is None:
                say = words.due if need.due else words.plant_not_due
                reasons = (say(model.site.units, need, plant.name),)
            zone_id = zone_of.get(plant.id, "")
            shares.append(PlantShare(plant.id, zone_id, need.wanted_l, 0.0, need.due, reasons))
    return tuple(shares)
