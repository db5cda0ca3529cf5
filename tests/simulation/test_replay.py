"""A seed replays a run exactly, and a failing storm is cut down to what makes it fail."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.simulation.canaries import CANARIES, planted
from tests.simulation.clockwork import HOUR
from tests.simulation.daemon import NEW_STORE, empty_store
from tests.simulation.many import one
from tests.simulation.scenarios import SCENARIOS
from tests.simulation.script import Happening
from tests.simulation.shrinking import as_scenario, shrink
from tests.simulation.sites import site_named
from tests.simulation.storm import run_storm

# Deaths, a stop, losses, a power cut, a lost memory and two plans in one.
NAME = "forgotten_run_and_wrong_clock"
PROCESSES = 20
AT_ONCE = 2
ROOT = Path(__file__).parents[2]


def _hashes(new_store: Path) -> Iterator[str]:
    """Of the same storm, in processes whose own hashing of strings differs. ``new_store``: what a new store
    holds, so that not each of them makes its tables."""
    command = [sys.executable, "-m", "tests.simulation.print_hash", NAME]
    for first in range(0, PROCESSES, AT_ONCE):
        running = [
            subprocess.Popen(
                command,
                cwd=ROOT,
                stdout=subprocess.PIPE,
                text=True,
                env=os.environ | {"PYTHONHASHSEED": str(n), NEW_STORE: str(new_store)},
            )
            for n in range(first, min(first + AT_ONCE, PROCESSES))
        ]
        for process in running:
            said, _ = process.communicate(timeout=300)
            assert process.returncode == 0
            yield said.strip()


@pytest.mark.slow
def test_a_seed_gives_the_same_trace_in_every_process(tmp_path: Path) -> None:
    new_store = tmp_path / "new.store"
    new_store.write_bytes(empty_store(site_named(SCENARIOS[NAME].settings.garden).id)[1])
    hashes = list(_hashes(new_store))
    assert len(hashes) == PROCESSES
    assert set(hashes) == {run_storm(SCENARIOS[NAME]).trace_hash}


def test_other_seeds_give_other_traces() -> None:
    assert one(("gust", 1))[1].trace_hash != one(("gust", 2))[1].trace_hash


def test_a_failing_storm_is_cut_down_to_what_makes_it_fail() -> None:
    """A defect is planted that one death and two requests show; what else happened falls away."""
    canary = next(c for c in CANARIES if c.name == "order_ids_are_used_again_after_a_start")
    few = SCENARIOS["killed_between_intent_and_order"]
    besides = tuple(Happening("garbage", "at", 0, n * HOUR, 0, 0.5) for n in range(8))
    storm = replace(few, happenings=few.happenings + besides)
    with planted(canary):
        outcome = run_storm(storm)
        small = shrink(storm, outcome.rules_broken, tries=60)
        assert run_storm(small).rules_broken & outcome.rules_broken
    assert outcome.rules_broken
    assert set(small.happenings) <= set(few.happenings)
    assert not run_storm(small).failed  # the storm itself harms nobody
    assert "Storm(" in as_scenario(small, "used_again", "an example")
