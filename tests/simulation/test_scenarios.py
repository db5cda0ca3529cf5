"""Named storms: what once broke a rule does not again, and a death at every boundary loses nothing."""

from __future__ import annotations

import pytest

from scheduler.service import boundaries
from tests.simulation.faults import BOUNDARIES
from tests.simulation.scenarios import KILLS, SCENARIOS
from tests.simulation.storm import run_storm

pytestmark = pytest.mark.slow


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
