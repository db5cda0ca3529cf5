"""A failing storm cut down to the few happenings that make it fail, and written as a scenario to keep."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tests.simulation.script import Storm
from tests.simulation.storm import Outcome, run_storm

# Runs spent on one storm.
TRIES_MAX = 300


def shrink(
    storm: Storm, rules: set[str], run: Callable[[Storm], Outcome] = run_storm, tries: int = TRIES_MAX
) -> Storm:
    """The storm with fewer happenings that still breaks one of ``rules``. First halves, then one by one."""
    left = tries
    size = max(1, len(storm.happenings) // 2)
    while left > 0:
        at, cut = 0, False
        while at < len(storm.happenings) and left > 0:
            fewer = replace(storm, happenings=storm.happenings[:at] + storm.happenings[at + size :])
            left -= 1
            if run(fewer).rules_broken & rules:
                storm, cut = fewer, True
            else:
                at += size
        if size == 1 and not cut:
            break
        size = max(1, size // 2)
    return storm


def as_scenario(storm: Storm, name: str, why: str) -> str:
    """The lines of Python that keep it, for ``scenarios.py``."""
    happenings = "".join(f"\n        {h!r}," for h in storm.happenings)
    return (
        f'    # {why}\n    "{name}": Storm(\n        {storm.seed},\n        {storm.settings!r},\n'
        f"        ({happenings}\n        ),\n"
        f"        noisy_ms={storm.noisy_ms},\n        quiet_ms={storm.quiet_ms},\n    ),\n"
    )
