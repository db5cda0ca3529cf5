"""What the tests found, in words and as objects: after each step, and the list of what is done and due."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from scheduler.report.answers import DoneAnswer, QuestionAnswer, StepAnswer, StepsAnswer
from scheduler.report.forms import GARDEN_STEPS, STEP_OF
from scheduler.report.plan import Columns, Rows
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.site.showing import show_flow, show_share
from scheduler.survey.analysis import TestResult, analyse
from scheduler.survey.as_built import AsBuilt, Kept, as_built
from scheduler.survey.catch_cans import CanResult
from scheduler.survey.sentences import show_height
from scheduler.survey.set_by_hand import baseline
from scheduler.survey.tests_done import KINDS, CatchCans, TestRecord, Trim
from scheduler.survey.tests_due import standing
from scheduler.survey.trimming import TrimAdvice, trim_advice
from scheduler.survey.wants import midsummer_wants

# Trims of one visit, for the number of the round.
VISIT = timedelta(days=7)


def built_of(site: Site, kept: Sequence[Kept], now: datetime) -> AsBuilt:
    return as_built(site, kept, now=now)


def trims_before(kept: Sequence[Kept], zone: str | None, at: datetime) -> int:
    """Trimming rounds of this visit before a moment."""
    return sum(
        isinstance(k.record, Trim) and k.record.zone == zone and at - VISIT <= k.record.at < at
        for k in standing(kept)
    )


def steps_answer(
    site: Site, kept: Sequence[Kept], now: datetime, *, store: str, half_done: str | None
) -> StepsAnswer:
    """Every step of the garden in the order of the day, and how it stands."""
    built = built_of(site, kept, now)
    rows = []
    for zone in (None, *(z.id for z in site.zones)):
        known = built if zone is None else built.zones[zone]
        due = {d.kind: d.reason for d in known.due}
        stale = {s.kind: s.changed for s in known.stale}
        for kind in KINDS:
            if (kind in GARDEN_STEPS) != (zone is None) or (kind == "sensor_scale" and site.sensor is None):
                continue
            last = known.history.get(kind, (None,))[0]
            state = "stale" if kind in stale else "due" if kind in due else "done" if last else "open"
            rows.append(
                StepAnswer(
                    step=STEP_OF[kind],
                    zone=zone,
                    state=state,
                    why=due.get(kind, ""),
                    record=last.id if last else None,
                    at=last.record.at if last else None,
                    who=last.record.who if last else None,
                )
            )
    doubts = doubts_of(site, built)
    return StepsAnswer(store=store, half_done=half_done, steps=rows, doubts=doubts)


def doubts_of(site: Site, built: AsBuilt) -> list[str]:
    """What the tests leave doubtful, each with its zone."""
    of_zones = (f"{site.zone(z).name}: {d}" for z, known in built.zones.items() for d in known.doubts)
    return [*built.doubts, *of_zones]


_STATES = {"open": "when wanted", "due": "due", "stale": "to be done again", "done": "done"}


def steps_rows(site: Site, answer: StepsAnswer) -> tuple[Columns, Rows]:
    columns = [("step", "left"), ("zone", "left"), ("state", "left"), ("last", "left"), ("why", "left")]
    rows = []
    for s in answer.steps:
        last = ""
        if s.at is not None:
            day = s.at.astimezone(site.place.timezone).date().isoformat()
            last = f"{day}, {s.who} (record {s.record})"
        rows.append([s.step, s.zone or "", _STATES[s.state], last, s.why])
    return columns, rows


def done_answer(
    site: Site, kept: Sequence[Kept], number: int, questions: Sequence[QuestionAnswer], now: datetime
) -> DoneAnswer:
    record = next(k.record for k in kept if k.id == number)
    words, result = findings(site, kept, record, now)
    return DoneAnswer(
        id=number,
        step=STEP_OF[record.kind],
        zone=record.zone,
        at=record.at,
        who=record.who,
        questions=list(questions),
        findings=words,
        result=result,
    )


def findings(
    site: Site, kept: Sequence[Kept], record: TestRecord, now: datetime
) -> tuple[list[str], dict[str, Any] | None]:
    """What a record says, in sentences and figures. A test that makes no sense says so in a sentence."""
    try:
        result = judged(site, kept, record, now)
        words = [result.verdict]
        if isinstance(record, CatchCans) and isinstance(result, CanResult):
            words += turn_words(site, record, result)
    except (FallingheadError, ValueError) as error:
        return [f"Kept, but nothing can be worked out from it: {error}."], None
    figures = plain(result)
    figures.pop("verdict", None)
    return words, figures


def judged(site: Site, kept: Sequence[Kept], record: TestRecord, now: datetime) -> TestResult:
    """A test against the garden as drawn, its barrels as they were found; cans against the zone's measured
    curve too, and turned bubblers against what they gave since. Raises as ``analyse``."""
    kinds = ("poured", "head_flow") if isinstance(record, CatchCans) else ("poured",)
    built = built_of(site, [k for k in kept if k.record.kind in kinds], now)
    if not isinstance(record, CatchCans):
        return analyse(replace(site, tank=built.site.tank), record)
    base = baseline(site, built.site, kept, record)
    return analyse(base.site, record, turned=base.unknown)


def plain(value: Any) -> Any:
    """A result as plain values for JSON: dataclasses as dicts, arrays as lists, no infinite figures."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(v) for key, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def turns(site: Site, record: CatchCans, result: CanResult) -> TrimAdvice:
    """The trimming round that the cans advise."""
    wants = midsummer_wants(site)
    return trim_advice(site, record.zone, result.level_m, wants, result.flows_lph)


def turn_words(site: Site, record: CatchCans, result: CanResult) -> list[str]:
    """Which bubbler to turn and how far, in turning order; none where nothing was caught."""
    if not result.caught:
        return []
    advice = turns(site, record, result)
    words: list[str] = []
    for turn in advice.turns:
        verb = "open" if turn.factor > 1 else "close"
        now, to = show_flow(turn.now_lph, site.units), show_flow(turn.reading_lph, site.units)
        if now != to:  # finer than a jug tells
            words.append(
                f"{len(words) + 1}. {verb} {turn.emitter}{_at_plant(site, turn.plant)} from {now}"
                f"{'' if turn.emitter in result.flows_lph else ' (no can: as drawn)'} until it gives {to}."
            )
    if words:
        amiss = [e.emitter for e in result.emitters if e.finding in ("clogged", "dead")]
        first = f"First clean {', '.join(amiss)} and set the cans out again. Else turn" if amiss else "Turn"
        level = show_height(result.level_m, site.units)
        words.insert(
            0,
            f"{first} these in this order while the water stands about {level} above the outlet, as it stood "
            f"over the cans: at another level all of them give otherwise. {_then_words(site, advice)}",
        )
    return words


def _at_plant(site: Site, plant: str) -> str:
    return f" ({site.plant(plant).name})" if plant else ""


def _then_words(site: Site, advice: TrimAdvice) -> str:
    plant, share = min(advice.expected.items(), key=lambda x: x[1])
    return f"Then the worst-off plant, {site.plant(plant).name}, gets {show_share(share)} of its share:"
