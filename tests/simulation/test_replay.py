"""A seed replays a run exactly, and a failing storm is cut down to what makes it fail."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.simulation.canaries import CANARIES, planted
from tests.simulation.many import DRAWS, one
from tests.simulation.shrinking import as_scenario, shrink
from tests.simulation.storm import run_storm

SEED = 5
PROCESSES = 20
AT_ONCE = 2
ROOT = Path(__file__).parents[2]


def _hashes() -> Iterator[str]:
    """Of the same seed, in processes whose own hashing of strings differs."""
    command = [sys.executable, "-m", "tests.simulation.print_hash", str(SEED)]
    for first in range(0, PROCESSES, AT_ONCE):
        running = [
            subprocess.Popen(
                command,
                cwd=ROOT,
                stdout=subprocess.PIPE,
                text=True,
                env=os.environ | {"PYTHONHASHSEED": str(n)},
            )
            for n in range(first, min(first + AT_ONCE, PROCESSES))
        ]
        for process in running:
            said, _ = process.communicate(timeout=300)
            assert process.returncode == 0
            yield said.strip()


@pytest.mark.slow
def test_a_seed_gives_the_same_trace_in_every_process() -> None:
    hashes = list(_hashes())
    assert len(hashes) == PROCESSES
    assert set(hashes) == {one(("gust", SEED))[1].trace_hash}


def test_other_seeds_give_other_traces() -> None:
    assert one(("gust", 1))[1].trace_hash != one(("gust", 2))[1].trace_hash


def test_a_failing_storm_is_cut_down_to_what_makes_it_fail() -> None:
    """With a defect planted: an order for nobody of this session opens. One forger is enough to show it."""
    canary = next(c for c in CANARIES if c.name == "node_takes_any_signature")
    with planted(canary):
        outcome = run_storm(DRAWS["gust"](0))
        small = shrink(outcome.storm, outcome.rules_broken, tries=40)
        assert run_storm(small).rules_broken & outcome.rules_broken
    assert outcome.rules_broken
    assert len(small.happenings) <= 4 < len(outcome.storm.happenings)
    assert not run_storm(small).failed  # the storm itself harms nobody
    assert "Storm(" in as_scenario(small, "forged", "an example")
