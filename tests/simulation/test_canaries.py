"""Planted defects: the rules find each one. A canary that survives fails the suite."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.simulation.canaries import CANARIES, Canary, planted
from tests.simulation.many import DRAWS
from tests.simulation.scenarios import KILLS, SCENARIOS
from tests.simulation.script import Storm
from tests.simulation.storm import run_storm

# Within so many gusts, counted from 0, and the named storms each must be found.
SEEDS = 24
# Where one was found before: tried first, to save time.
FOUND_BEFORE: dict[str, str] = {}


@pytest.mark.parametrize("canary", CANARIES, ids=lambda c: c.name)
def test_a_planted_defect_is_found(canary: Canary) -> None:
    for name, storm in _storms(FOUND_BEFORE.get(canary.name)):
        with planted(canary):
            outcome = run_storm(storm)
        if outcome.failed:
            print(canary.name, name, sorted(outcome.rules_broken))
            return
    raise AssertionError(f"{canary.name} survived every named storm and {SEEDS} gusts")


def _storms(first: str | None) -> Iterator[tuple[str, Storm]]:
    """All of them, the likeliest first."""
    named = SCENARIOS | KILLS
    if first is not None:
        yield first, named[first] if first in named else DRAWS["gust"](int(first))
    yield from named.items()
    for seed in range(SEEDS):
        yield str(seed), DRAWS["gust"](seed)


def test_there_is_a_canary_for_every_rule_of_the_design() -> None:
    assert {c.rule for c in CANARIES} == set(range(1, 10))
    assert len(CANARIES) >= 25
    assert set(FOUND_BEFORE) <= {c.name for c in CANARIES}
