"""Which tests are due and why, and which were done on a garden that has changed since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from scheduler.site.model import Site
from scheduler.survey.site_mark import changed_parts, site_mark
from scheduler.survey.tests_done import CatchCans, TestKind

if TYPE_CHECKING:
    from scheduler.survey.zone_readings import Kept

# A new garden and then yearly, each spring (published test guide for low-pressure drip); a month of grace,
# because no spring comes on the same day.
EVERY_DAYS = 365 + 30
# Without these the planner works from the drawing.
ZONE_TESTS: tuple[TestKind, ...] = (
    "wet_walk",
    "flush",
    "prime_time",
    "head_flow",
    "catch_cans",
    "travel_times",
)
GARDEN_TESTS: tuple[TestKind, ...] = ("sensor_scale", "leak_at_rest")
# Done once; due again only when the thing itself was changed.
LASTING: frozenset[str] = frozenset({"poured", "travel_times"})


@dataclass(frozen=True, slots=True)
class TestDue:
    """``zone`` None: a test of the barrels or the sensor."""

    kind: TestKind
    zone: str | None
    reason: str

    __test__ = False  # not a test of ours, for the collector of the test runner


@dataclass(frozen=True, slots=True)
class Stale:
    """A newest test of its kind that was done before something it depends on was changed."""

    kind: TestKind
    zone: str | None
    id: int
    at: datetime
    changed: tuple[str, ...]


def standing(records: Sequence[Kept]) -> tuple[Kept, ...]:
    """Records that no later one stands for, oldest first."""
    replaced = {kept.record.replaces for kept in records if kept.record.replaces is not None}
    kept = [kept for kept in records if kept.id not in replaced]
    return tuple(sorted(kept, key=lambda k: (k.record.at, k.id)))


def told_something(kept: Kept) -> bool:
    """False of cans of which none was measured, or into which nothing came: no water came, or nobody looked;
    they say nothing of the emitters, and the test is still to be done."""
    return not isinstance(kept.record, CatchCans) or any(kept.record.measured)


def history(records: Sequence[Kept], zone: str | None) -> dict[TestKind, tuple[Kept, ...]]:
    """Standing records of a zone (None: of the garden) by kind, newest first; without cans of which none was
    measured, for they say nothing."""
    found: dict[TestKind, tuple[Kept, ...]] = {}
    for kept in reversed(standing(records)):
        if isinstance(kept.record, CatchCans) and not kept.record.measured:
            continue
        if kept.record.zone == zone or (zone is None and kept.record.kind in (*GARDEN_TESTS, "poured")):
            kind: TestKind = kept.record.kind
            found[kind] = (*found.get(kind, ()), kept)
    return found


def stale(site: Site, done: dict[TestKind, tuple[Kept, ...]], zone: str | None) -> tuple[Stale, ...]:
    """Of each kind whether its newest test is of a garden that has changed since."""
    now = site_mark(site, zone)
    found = []
    for kind, kept in done.items():
        changed = changed_parts(kind, kept[0].mark, now)
        if changed:
            found.append(Stale(kind, zone, kept[0].id, kept[0].record.at, changed))
    return tuple(found)


def due(
    site: Site,
    done: dict[TestKind, tuple[Kept, ...]],
    stales: Sequence[Stale],
    zone: str | None,
    now: datetime,
) -> tuple[TestDue, ...]:
    """Tests never done, done on what has changed since, with nothing caught, or done long ago; in the order
    of the day."""
    changed = {mark.kind: mark.changed for mark in stales}
    wanted = list(ZONE_TESTS) if zone is not None else [k for k in GARDEN_TESTS if _can(site, k)]
    wanted += [kind for kind in changed if kind not in wanted and kind != "trim"]
    found = []
    for kind in wanted:
        if kind not in done:
            found.append(TestDue(kind, zone, "never done"))
        elif kind in changed:
            found.append(TestDue(kind, zone, f"{_listed(changed[kind])} changed since"))
        elif not told_something(done[kind][0]):
            found.append(TestDue(kind, zone, f"nothing was caught on {done[kind][0].record.at:%Y-%m-%d}"))
        elif kind not in LASTING and now - done[kind][0].record.at > timedelta(days=EVERY_DAYS):
            found.append(TestDue(kind, zone, f"last done on {done[kind][0].record.at:%Y-%m-%d}"))
    return tuple(found)


def _can(site: Site, kind: TestKind) -> bool:
    return kind != "sensor_scale" or site.sensor is not None


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
