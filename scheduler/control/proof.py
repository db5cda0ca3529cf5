"""What a run really drew, from the fall of the level, and what that teaches about the zone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.control.effects import Note, RecordLearning, RecordMeasured
from scheduler.control.leaks import leak_slope_m_h, wet_between
from scheduler.control.state import Proof, Turn
from scheduler.control.waterbook import enter_proven
from scheduler.planning.windows import local_midnight
from scheduler.sensing.flow import (
    CATALOGUE_SD,
    FlowFactor,
    drop_measured,
    fresh_flow,
    joined,
    learn_flow,
    rest_level,
)

# The rest after a run is read this long before it is judged, unless the next run needs the tank sooner.
REST_S = 8 * 3600.0
# With so few readings after a run nothing is learned.
READINGS_MIN = 4
# A measure worse than this share of the run says too little to call the run short.
JUDGED_SD = 0.15
# Trade: under-delivered below 70 % of predicted, over-delivered above 130 %, two runs in a row.
SHORT_SHARE = 0.7
OVER_SHARE = 1.3
# Of a cleaning longer ago the runs since then have told (our choice: about as many proven runs as it takes).
TOLD_LATE = timedelta(days=7)


def prove_run(turn: Turn, *, next_run_waits: bool) -> None:
    """Compare the level at rest before and after the last run, once the rest is long enough."""
    proof = turn.state.proof
    if proof is None:
        return
    if turn.now.monotonic_s - proof.ended_mono_s < REST_S and not next_run_waits:
        return
    turn.change(proof=None)
    after = rest_level(turn.state.track, turn.state.site, end="after", slope_m_h=leak_slope_m_h(turn.state))
    if after is None or after.n < READINGS_MIN or after.disturbed or proof.before.disturbed:
        return
    if wet_between(turn, proof.ordered_at):
        return
    measured_l, sd_l = drop_measured(proof.before, after, turn.state.model.stage)
    hours = (after.at - proof.before.at).total_seconds() / 3600
    if turn.state.leak is not None:
        # As the rest before the run fell: by the known leak, or by its own line where that is contradicted.
        per_m = 1000.0 * turn.state.model.stage.area_m2(proof.before.mean_m)
        measured_l += proof.before.slope_m_h * per_m * hours
        # Both levels were carried along the leak to the run, so an error of it counts over the whole way.
        carried_h = proof.before.carried_h - after.carried_h
        sd_l = math.hypot(sd_l, turn.state.leak.sd_lph * carried_h)
    turn.emit(
        RecordMeasured(proof.order_id, proof.zone, turn.now.wall, proof.booked_l, measured_l, sd_l),
        Note(
            f"Zone {proof.zone}: the level says {measured_l:.0f} L (+-{2 * sd_l:.0f} L), "
            f"booked were {proof.booked_l:.0f} L."
        ),
    )
    # While the rests contradict the known leak, a run's fall may be the leak's: it proves no flow.
    if turn.state.leak is None or turn.state.leak.beyond == 0:
        # Judged by what was known before the run, not by what it taught.
        _count_poor(turn, proof, measured_l, sd_l)
        _learn(turn, proof, measured_l, sd_l)
        enter_proven(turn, proof.book_day, booked_l=proof.booked_l, measured_l=measured_l)


def _learn(turn: Turn, proof: Proof, measured_l: float, sd_l: float) -> None:
    learned = learn_flow(
        turn.state.flow,
        proof.zone,
        modelled_l=proof.modelled_l,
        measured_l=measured_l,
        measured_sd_l=sd_l,
        at=proof.ended_at,
    )
    turn.change(flow=learned)
    # What a run tells of its own zone it tells of the others' pace of clogging, so all are kept.
    for zone in learned.zones:
        found = learned.factor(zone)
        trend = (found.slope_per_day, found.slope_var, found.covariance)
        turn.emit(RecordLearning(zone, proof.ended_at, found.value, found.sd, *trend))


def doubt_flows(turn: Turn, day: date) -> None:
    """Filter or lines were cleaned on that local day: runs before that speak no more of a zone as it is, and
    how much it gives now is known as little as of a garden from its drawing. Told late, only what the runs
    since then have not told themselves is put in doubt."""
    _pass_over_runs_before(turn, day)
    if turn.local_day - day > TOLD_LATE:
        return
    state, at = turn.state, turn.now.wall
    if turn.now.trust == "unknown" and state.flow.updated is not None:
        at = state.flow.updated  # when it is now is not known: no day is added
    known = {z: state.flow.factor(z).at(at) for z in state.flow.zones}
    doubted = {z: replace(f, sd=max(f.sd, CATALOGUE_SD * f.value)) for z, f in known.items()}
    proven = state.flow.updated
    if proven is None or _local_day(turn, proven) <= day:
        turn.change(poor_runs=tuple((z, 0) for z, _ in state.poor_runs))
    _put_down(turn, doubted, at)


def rest_flows(turn: Turn, since: date) -> None:
    """No water flowed since that local day, the garden was drained: nothing clogged further meanwhile, though
    the doubt grew."""
    state, at = turn.state, turn.now.wall
    if turn.now.trust == "unknown":
        return  # how long the winter was is not known either
    begun = local_midnight(since, state.site.place.timezone)
    rested: dict[str, FlowFactor] = {}
    for zone in state.flow.zones:
        before, now = state.flow.factor(zone).at(begun), state.flow.factor(zone).at(at)
        rested[zone] = replace(before, sd=before.value * now.sd / now.value, updated=at)
    _put_down(turn, rested, at)


def _put_down(turn: Turn, flows: Mapping[str, FlowFactor], at: datetime) -> None:
    """These hold from now on, also after a restart."""
    turn.change(flow=joined(flows.items()))
    for zone, f in flows.items():
        trend = (f.slope_per_day, f.slope_var, f.covariance)
        turn.emit(RecordLearning(zone, at, f.value, f.sd, *trend))


def _pass_over_runs_before(turn: Turn, day: date) -> None:
    """A run ordered by that day teaches nothing any more, whether it is over or under way. On the day itself
    it is not known which came first."""
    proof = turn.state.proof
    if proof is not None and _local_day(turn, proof.ordered_at) <= day:
        turn.change(proof=None)
    intents = (
        replace(h, before=None) if _local_day(turn, h.intent.made_at) <= day else h
        for h in turn.state.intents
    )
    turn.change(intents=tuple(intents))


def _local_day(turn: Turn, at: datetime) -> date:
    return at.astimezone(turn.state.site.place.timezone).date()


def _count_poor(turn: Turn, proof: Proof, measured_l: float, sd_l: float) -> None:
    """Runs in a row that fell short (positive) or over (negative) of what was booked."""
    if proof.booked_l <= 0 or sd_l > JUDGED_SD * proof.booked_l:
        return
    share = measured_l / proof.booked_l
    factor = turn.state.flow_factor(proof.zone).at(proof.ordered_at)
    # Where the flow is hardly known, a run is short or over only beyond what the doubt of it explains.
    doubt = 2.0 * math.hypot(factor.sd / factor.value, sd_l / proof.booked_l)
    counts = dict(turn.state.poor_runs)
    row = counts.get(proof.zone, 0)
    if share < min(SHORT_SHARE, 1.0 - doubt):
        counts[proof.zone] = max(row, 0) + 1
    elif share > max(OVER_SHARE, 1.0 + doubt) and measured_l - 2.0 * sd_l > _most_built_l(turn, proof):
        counts[proof.zone] = min(row, 0) - 1
    else:
        counts[proof.zone] = 0
    turn.change(poor_runs=tuple(sorted(counts.items())))


def _most_built_l(turn: Turn, proof: Proof) -> float:
    """The most that the run draws through whole lines as they were built, by two sd: a filter or a line that
    has cleared gives more than it did, but no more than this; a burst or a lost emitter does."""
    built = fresh_flow(turn.state.site.zone(proof.zone), None)
    return proof.modelled_l * (built.value + 2.0 * built.sd)
