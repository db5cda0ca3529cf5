"""Storms of faults around the real controller, shell, store and node core: no rule breaks.

Here are the fine ones, at the pace of a real garden; the many coarse ones (module ``pace``) follow the tests
in ``deploy/test.sh``. Seeds are fixed, so that a failure is the change's own.
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import timedelta

import pytest

from tests.simulation import faults
from tests.simulation.clockwork import DAY
from tests.simulation.daemon import START
from tests.simulation.faults import KINDS
from tests.simulation.many import REACHABLE, Sum, run_many
from tests.simulation.script import PHASES, SQUALLS, Happening, Settings, draw_season, draw_squall, draw_storm
from tests.simulation.sites import SEASON
from tests.simulation.storm import run_storm
from tests.simulation.world import World

pytestmark = pytest.mark.slow
# Seeds are run in handfuls, so that the handfuls can go to several processes of pytest.
GUSTS = [range(first, first + 8) for first in range(0, 48, 8)]
STORMS = [range(first, first + 4) for first in range(0, 20, 4)]


def _no_rule_breaks(kind: str, seeds: range) -> Sum:
    total = run_many((kind, seed) for seed in seeds)
    print(total)
    assert not total.failed, "\n".join(f"{k}:{s}  {text}" for k, s, text in total.failed)
    assert total.runs[kind] == len(seeds)
    return total


@pytest.mark.parametrize("seeds", GUSTS, ids=lambda r: f"gust{r.start}")
def test_no_rule_breaks_in_a_gust(seeds: range) -> None:
    total = _no_rule_breaks("gust", seeds)
    assert total.wet >= 50 and total.openings >= 20  # else the faults met nothing


@pytest.mark.parametrize("seeds", STORMS, ids=lambda r: f"storm{r.start}")
def test_no_rule_breaks_in_three_days_of_storm(seeds: range) -> None:
    total = _no_rule_breaks("fine_storm", seeds)
    assert total.wet >= 40 and total.openings >= 20


def test_a_coarse_storm_brings_the_same_kinds_of_trouble_to_a_node_that_speaks_seldom() -> None:
    fine, coarse = ([draw_storm(seed, KINDS, coarse=c) for seed in range(100)] for c in (False, True))
    assert {h.kind for s in coarse for h in s.happenings} == {h.kind for s in fine for h in s.happenings}
    assert {s.settings.garden for s in coarse} == {s.settings.garden for s in fine}
    assert {s.noisy_ms + s.quiet_ms for s in coarse} == {3 * DAY}
    total = _no_rule_breaks("storm", range(8))
    assert total.wet >= 40 and total.openings >= 40


@pytest.mark.parametrize(
    ("coarse", "hour", "inside"), [(True, 5, True), (True, 21, False), (False, 21, True)]
)
def test_a_planned_run_is_held_to_the_windows_of_the_very_garden(
    coarse: bool, hour: int, inside: bool
) -> None:
    """A season's garden has windows from 4 to 9 and from 20 to 23; at a coarse pace the first alone."""
    world = World("windows", Settings(garden=SEASON, coarse=coarse))
    local = START.astimezone(world.site.place.timezone)
    world.daemon.machine.new_trust(world.store)
    world.daemon.machine.wall_off = timedelta(hours=hour - local.hour)
    world.rules._by_the_clock()
    assert [b.rule for b in world.rules.broken] == ([] if inside else ["in_window"])


@pytest.mark.parametrize("known", [True, False])
def test_a_time_service_that_was_gone_for_a_while_vouches_for_no_clock_that_was_never_set(
    known: bool,
) -> None:
    world = World("unsynced", Settings())
    machine = world.daemon.machine
    machine.synced = known
    over = faults.apply(world, Happening("clock_unsynced", "at", 0, 0), random.Random(0))
    assert not machine.synced and over is not None
    over()
    assert machine.synced == known


def test_a_round_of_squalls_aims_every_fault_at_every_phase_once() -> None:
    aimed = Counter(
        (h.when, h.kind)
        for seed in range(3 * SQUALLS, 4 * SQUALLS)
        for h in draw_squall(seed, KINDS).happenings
        if h.when in PHASES
    )
    assert set(aimed) == REACHABLE
    assert set(aimed.values()) == {1}


def test_no_rule_breaks_where_faults_are_aimed_and_nearly_every_one_meets_every_phase() -> None:
    """Two rounds of squalls, in one test: the share of pairs is theirs together."""
    total = _no_rule_breaks("squall", range(2 * SQUALLS))
    missed = sorted(REACHABLE - set(total.pairs))
    assert total.pair_share >= 0.95, missed  # the target of the project
    assert {phase for phase, _ in total.pairs} >= {phase for phase, _ in REACHABLE}
    assert total.wet >= 200
    assert total.openings >= 200


def test_no_rule_breaks_through_a_month() -> None:
    """Of a season: the whole of it is for the long run."""
    outcome = run_storm(draw_season(0, KINDS, days=28))
    assert not outcome.failed, outcome.summary()
    assert outcome.openings >= 20
