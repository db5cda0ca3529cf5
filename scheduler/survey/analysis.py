"""What a record says, whatever its kind."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from scheduler.site.model import Site
from scheduler.site.showing import show_flow
from scheduler.survey.catch_cans import CanResult, catch_cans
from scheduler.survey.head_flow import HeadFlowFit, head_flow
from scheduler.survey.leak_test import LeakFound, leak_test
from scheduler.survey.line_tests import (
    FlushResult,
    PouredResult,
    PrimeResult,
    WalkResult,
    flush,
    poured,
    prime_time,
    wet_walk,
)
from scheduler.survey.sensor_scale import SensorFit, sensor_scale
from scheduler.survey.tests_done import (
    CatchCans,
    Flush,
    HeadFlow,
    LeakAtRest,
    Poured,
    PrimeTime,
    SensorScale,
    TestRecord,
    TravelTimes,
    Trim,
    WetWalk,
)
from scheduler.survey.travel_times import TravelResult, travel_times


@dataclass(frozen=True, slots=True)
class TurnsResult:
    """A trimming round: flow of each bubbler right after it was turned (L/h; None: not caught), and those
    that go no further. What came of it the next cans show."""

    zone: str
    readings_lph: dict[str, float | None]
    wide_open: tuple[str, ...]
    verdict: str


TestResult = (
    SensorFit
    | LeakFound
    | WalkResult
    | FlushResult
    | PrimeResult
    | HeadFlowFit
    | CanResult
    | TurnsResult
    | TravelResult
    | PouredResult
)


def analyse(site: Site, record: TestRecord, *, turned: Collection[str] = ()) -> TestResult:
    """The result of one test; each has a ``verdict`` in plain words.

    ``site`` is the garden as drawn; for cans rather the garden as built, where its head-flow test is known;
    ``turned``: emitters of which it does not tell what they should give (``set_by_hand``).
    KeyError for a zone that is not there, UsageError in one sentence for entries that cannot be.
    """
    if isinstance(record, SensorScale):
        return sensor_scale(site, record)
    if isinstance(record, LeakAtRest):
        return leak_test(site, record)
    if isinstance(record, WetWalk):
        return wet_walk(site, record)
    if isinstance(record, Flush):
        return flush(site, record)
    if isinstance(record, PrimeTime):
        return prime_time(site, record)
    if isinstance(record, HeadFlow):
        return head_flow(site, record)
    if isinstance(record, CatchCans):
        return catch_cans(site, record, turned=turned)
    return _of_the_others(site, record)


def _of_the_others(site: Site, record: Trim | TravelTimes | Poured) -> TestResult:
    if isinstance(record, Trim):
        return _turns(site, record)
    if isinstance(record, TravelTimes):
        return travel_times(site, record)
    return poured(site, record)


def _turns(site: Site, record: Trim) -> TurnsResult:
    readings = {
        turn.emitter: None
        if turn.volume_l is None or turn.run_s is None
        else 3600.0 * turn.volume_l / turn.run_s
        for turn in record.turns
    }
    wide_open = tuple(turn.emitter for turn in record.turns if turn.wide_open)
    shown = [
        emitter if flow is None else f"{emitter} ({show_flow(flow, site.units)})"
        for emitter, flow in readings.items()
    ]
    words = [f"Round {record.round}, turned: {', '.join(shown)}." if shown else "Nothing was turned."]
    if wide_open:
        words.append(f"Wide open already: {', '.join(wide_open)}.")
    if shown:
        words.append("Set the cans out again.")
    return TurnsResult(record.zone, readings, wide_open, " ".join(words))
