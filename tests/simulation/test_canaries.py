"""Planted defects: the rules find each one. A canary that survives fails the suite."""

from __future__ import annotations

from itertools import chain

import pytest

from tests.simulation.canaries import CANARIES, Canary, planted
from tests.simulation.many import DRAWS
from tests.simulation.storm import run_storm

# Within so many seeds, counted from 0, each must be found.
SEEDS = 24
# Where one was found before: tried first, to save time.
FOUND_BEFORE: dict[str, tuple[int, ...]] = {}


@pytest.mark.parametrize("canary", CANARIES, ids=lambda c: c.name)
def test_a_planted_defect_is_found(canary: Canary) -> None:
    first = FOUND_BEFORE.get(canary.name, ())
    for seed in chain(first, (s for s in range(SEEDS) if s not in first)):
        with planted(canary):
            outcome = run_storm(DRAWS["gust"](seed))
        if outcome.failed:
            print(canary.name, seed, sorted(outcome.rules_broken))
            return
    raise AssertionError(f"{canary.name} survived {SEEDS} gusts")


def test_there_is_a_canary_for_every_rule_of_the_design() -> None:
    assert {c.rule for c in CANARIES} == set(range(1, 10))
    assert len(CANARIES) >= 25
    assert set(FOUND_BEFORE) <= {c.name for c in CANARIES}
