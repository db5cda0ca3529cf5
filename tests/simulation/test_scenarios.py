"""Named storms: what once broke a rule does not again, and a death at every boundary loses nothing."""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime, timedelta

import pytest

from scheduler.service import boundaries
from tests.simulation.clockwork import MINUTE
from tests.simulation.daemon import START
from tests.simulation.faults import BOUNDARIES
from tests.simulation.scenarios import CLOSES, KILLS, SCENARIOS, killed_twice
from tests.simulation.storm import run_storm
from tests.simulation.world import World

pytestmark = pytest.mark.slow
# What tells of water that was ordered and did not come.
LOST = ("order_unreached", "run_interrupted")


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_no_rule_breaks_in_a_named_storm(name: str) -> None:
    outcome = run_storm(SCENARIOS[name])
    assert not outcome.failed, outcome.summary() + (outcome.crash or "")
    assert outcome.happened == len(SCENARIOS[name].happenings)


def test_the_boundaries_of_the_simulation_are_those_of_the_code() -> None:
    assert set(BOUNDARIES) == set(boundaries.BOUNDARIES)


@pytest.mark.parametrize("boundary", BOUNDARIES)
def test_a_death_at_a_boundary_loses_nothing(boundary: str) -> None:
    outcome = run_storm(KILLS[boundary])
    assert not outcome.failed, outcome.summary() + (outcome.crash or "")
    assert outcome.died_at[boundary] >= 1 and outcome.lives >= 2


def shares_given(world: World) -> list[tuple[float, bool]]:
    """Of each order that was written down: the share of its time for which the valve was truly open, and
    whether somebody was told of it within a quarter of an hour."""
    opened = {o.order_id: o.open_ms(world.clock.now_ms) for o in world.rules.openings}
    found = []
    rows = world.store.raw.execute('SELECT order_id, made_at, "order" FROM intents')
    for order_id, made_at, order in rows:
        made_ms = round((datetime.fromisoformat(f"{made_at}+00:00") - START) / timedelta(milliseconds=1))
        told = any(
            made_ms <= at_ms <= made_ms + 15 * MINUTE and alert.kind in LOST
            for at_ms, alert in world.daemon.alerts
        )
        found.append((opened.get(order_id, 0) / json.loads(order)["open_ms"], told))
    return found


@pytest.mark.parametrize("first", BOUNDARIES)
def test_killed_and_killed_again_the_water_is_given_whole_or_somebody_is_told(first: str) -> None:
    """Booked once, by the rules. What a person stops half-way is not given whole."""
    deaths: Counter[int] = Counter()
    for second in BOUNDARIES:
        given: list[tuple[float, bool]] = []
        outcome = run_storm(killed_twice(first, second), look=lambda w, g=given: g.extend(shares_given(w)))
        assert not outcome.failed, outcome.summary() + (outcome.crash or "")
        assert outcome.died_at[first] >= 1 and given
        deaths[sum(outcome.died_at.values())] += 1
        for share, told in given:
            assert share <= 1.05
            assert share >= 0.9 or told or first in CLOSES, (first, second, given)
    print(f"{first}: died {dict(deaths)} times")
    assert deaths[2] >= len(BOUNDARIES) // 3
