"""Whether the zones still give what their accepted curves say: the runs in the books against the curves.

It only proposes. A new test at the garden is what accepts a new curve.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from scheduler.control.effects import Booking, Intent
from scheduler.control.ledger import open_equivalent_s
from scheduler.planning.garden import GardenModel, expected_litres, garden_model
from scheduler.report.answers import (
    DriftAnswer,
    DriftCauseAnswer,
    DriftProposalAnswer,
    DriftTestAnswer,
    DriftZoneAnswer,
)
from scheduler.report.forms import STEP_OF
from scheduler.site.model import Site
from scheduler.site.showing import show_level, show_share
from scheduler.store.asking import MeasuredRun
from scheduler.store.store import Store
from scheduler.survey.drift import BAND_SHARE, LEAST_RUNS, Action, Drift, Proposal, ZoneDrift, drift
from scheduler.survey.drift_cause import FlowRow
from scheduler.survey.intervals import Measured
from scheduler.survey.tests_done import TestKind

# Before any store was made.
_EVER = datetime(1970, 1, 1, tzinfo=UTC)
# The tests that go with what is proposed: to find the fault, or to accept a new curve.
_TESTS: Mapping[Action, tuple[TestKind, ...]] = {
    "clean the filter": (),
    "clean the emitters": ("catch_cans",),
    "walk the line": ("wet_walk",),
    "look at the valve": ("travel_times",),
    "test again": ("head_flow", "catch_cans"),
}

_CAUSES = {"filter": "The filter", "emitters": "The emitters", "cannot tell": "Filter or emitters"}


def flow_rows(
    model: GardenModel,
    intents: Iterable[Intent],
    bookings: Iterable[Booking],
    measured: Iterable[MeasuredRun],
    accepted: Mapping[str, datetime | None],
) -> list[FlowRow]:
    """The proven runs of each zone since its curve was accepted (None: all). ``model``: of the site as built.

    Runs for a test, of zones that are gone, and without an error of their litres are left out.
    """
    ordered = {i.order.order_id: i for i in intents}
    open_s = {b.order_id: b.open_s for b in bookings}
    rows = []
    for run in measured:
        intent = ordered.get(run.order_id)
        if intent is None or intent.for_test or intent.level_m is None or run.measured_sd_l is None:
            continue
        since = accepted.get(run.zone)
        if run.zone not in model.zones or run.order_id not in open_s:
            continue
        if since is not None and intent.made_at <= since:
            continue
        run_s = open_equivalent_s(model.site.zone(run.zone).valve, open_s[run.order_id])
        modelled = expected_litres(model, run.zone, intent.level_m, run_s)
        rows.append(
            FlowRow(
                intent.made_at, run.zone, intent.level_m, modelled.volume_l, run.measured_l, run.measured_sd_l
            )
        )
    return rows


def drift_answer(site: Site, store: Store, now: datetime, model: GardenModel | None = None) -> DriftAnswer:
    """All zones of a garden by the runs in its store. ``model``: of the garden as tested, when it is at hand.
    StoreError when these cannot be read."""
    built, accepted, stale = _accepted(site, store, now)
    known = [at for at in accepted.values() if at is not None]
    since = min(known) if len(known) == len(accepted) and known else _EVER
    day = since.astimezone(site.place.timezone).date()
    rows = flow_rows(
        model if model is not None and model.site == built else garden_model(built),
        store.intents_since(since),
        store.bookings_since(day),
        store.measured_since(since),
        accepted,
    )
    return answer_of(site, drift(built, rows), accepted, stale)


def _accepted(
    site: Site, store: Store, now: datetime
) -> tuple[Site, Mapping[str, datetime | None], set[str]]:
    """The garden as tested, when each zone's curve was accepted, and which were changed since."""
    records = store.test_records()
    if not records:
        return site, {z.id: None for z in site.zones}, set()
    # Loaded here: a garden without tests does without it.
    from scheduler.survey.as_built import as_built

    built = as_built(site, records, now=now)
    accepted = {z.id: built.zones[z.id].tested for z in site.zones}
    return built.site, accepted, {z.id for z in site.zones if built.zones[z.id].stale}


def answer_of(
    site: Site, found: Drift, accepted: Mapping[str, datetime | None], stale: Iterable[str]
) -> DriftAnswer:
    """``stale``: zones that were changed since they were tested."""
    changed = set(stale)
    zones = [_zone(site, found.zones[z.id], accepted[z.id], z.id in changed) for z in site.zones]
    return DriftAnswer(
        id=site.id,
        band_share=BAND_SHARE,
        zones=zones,
        cause=DriftCauseAnswer(what=found.cause.what, reason=found.cause.reason) if found.cause else None,
        proposals=[_proposal(p, found) for p in found.proposals],
    )


def _zone(site: Site, found: ZoneDrift, accepted: datetime | None, stale: bool) -> DriftZoneAnswer:
    return DriftZoneAnswer(
        id=found.zone,
        accepted_at=accepted,
        runs=found.runs,
        finding=found.finding,
        reference_level_m=found.reference_level_m,
        reference_head_m=found.reference_head_m,
        index=_triple(found.index),
        per_day=_triple(found.per_day),
        since=found.since,
        step_share=_triple(found.step),
        step_lph=found.step_lph,
        leaves_band=found.leaves_band,
        leaves_band_earliest=found.leaves_band_earliest,
        leaves_band_latest=found.leaves_band_latest,
        text=_zone_words(site, found, accepted, stale),
    )


def _triple(value: Measured | None) -> tuple[float, float, float] | None:
    return (value.value, value.low, value.high) if value is not None else None


def _proposal(proposal: Proposal, found: Drift) -> DriftProposalAnswer:
    falling = [z.zone for z in found.zones.values() if z.finding == "falling"]
    zones = [proposal.zone] if proposal.zone is not None else falling
    tests = [
        DriftTestAnswer(step=STEP_OF[kind], zone=zone) for zone in zones for kind in _TESTS[proposal.action]
    ]
    return DriftProposalAnswer(
        action=proposal.action, zone=proposal.zone, reason=proposal.reason, tests=tests
    )


def _zone_words(site: Site, found: ZoneDrift, accepted: datetime | None, stale: bool) -> str:
    name = site.zone(found.zone).name
    day = _day(site, accepted)
    against = f"the curve tested on {day}" if day else "the curve as drawn (it was never tested)"
    if stale:
        against += ", though the zone was changed since"
    if found.index is None:
        runs = f"{found.runs} proven run{'' if found.runs == 1 else 's'}"
        return f"{name}: {runs} against {against}; at least {LEAST_RUNS} are needed to tell."
    index = _shares(found.index)
    text = f"{name}: {index} of {against}, at a level of {show_level(found.reference_level_m, site.units)}; "
    return f"{text}{_finding_words(site, found)}; {found.runs} proven runs."


def _finding_words(site: Site, found: ZoneDrift) -> str:
    if found.finding in ("falling", "rising"):
        assert found.per_day is not None
        pace = f"{found.finding} by {show_share(abs(found.per_day.value) * 30.0)} in 30 days"
        return pace + (f", {_leaving(site, found)}" if found.finding == "falling" else "")
    if found.step is not None and found.since is not None:
        more = "more" if found.step.value > 0.0 else "less"
        low, high = (show_share(s) for s in sorted((abs(found.step.low), abs(found.step.high))))
        since = _day(site, found.since)
        return f"since {since} {show_share(abs(found.step.value))} ({low} to {high}) {more} than before"
    assert found.index is not None
    if found.index.low <= 1.0 <= found.index.high:
        return "steady"
    return f"steadily {'below' if found.index.value < 1.0 else 'above'} it"


def _leaving(site: Site, found: ZoneDrift) -> str:
    """When the zone gives so much less than its curve that it is to be tested again."""
    assert found.index is not None
    below = f"{show_share(BAND_SHARE)} below that curve"
    if found.index.value <= 1.0 - BAND_SHARE:
        return f"already {below} or more"
    when, early, late = (
        _day(site, at) for at in (found.leaves_band, found.leaves_band_earliest, found.leaves_band_latest)
    )
    soonest = "now" if found.index.low <= 1.0 - BAND_SHARE else early
    if when is None:
        if early is None:
            return f"at this pace not {below} within a year"
        return f"at this pace not {below} within a year (at the soonest {soonest})"
    return (
        f"{below} by about {when} (at the soonest {soonest}, at the latest {late or 'more than a year on'})"
    )


def _day(site: Site, at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(site.place.timezone).date().isoformat()


def _shares(value: Measured) -> str:
    return f"{show_share(value.value)} ({show_share(value.low)} to {show_share(value.high)})"


def drift_findings(site: Site, answer: DriftAnswer) -> list[str]:
    """What the runs together speak for, and what to do about it; empty: nothing."""
    lines = []
    if answer.cause is not None:
        lines.append(f"{_CAUSES[answer.cause.what]}: {answer.cause.reason}.")
    return [with_zone_names(site, line) for line in (*lines, *map(_proposal_words, answer.proposals))]


def with_zone_names(site: Site, text: str) -> str:
    """A sentence of the survey, which knows zones by their short names, as a household knows them."""
    names = {z.id: z.name for z in site.zones}
    return re.sub(
        r"(?<![\w-])(" + "|".join(map(re.escape, names)) + r")(?![\w-])", lambda m: names[m[1]], text
    )


def _proposal_words(proposal: DriftProposalAnswer) -> str:
    where = f" of {proposal.zone}" if proposal.zone is not None else ""
    return f"{proposal.action[0].upper()}{proposal.action[1:]}{where}: {proposal.reason}."


def drift_words(answer: DriftAnswer, site: str) -> Sequence[str]:
    """For people at a terminal. ``site``: how the site file was named, for the commands to type."""
    lines = [z.text for z in answer.zones]
    if answer.cause is not None:
        lines.append(f"{_CAUSES[answer.cause.what]}: {answer.cause.reason}.")
    for p in answer.proposals:
        lines.append(f"- {_proposal_words(p)}")
        lines += [f"    fallinghead commission {site} {t.step} --zone {t.zone}" for t in p.tests]
    if answer.proposals:
        lines.append("Nothing is changed by this: the next test at the garden accepts a new curve.")
    return lines
