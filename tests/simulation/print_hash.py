"""``python -m tests.simulation.print_hash NAME``: the hash of a named storm's trace, for other processes."""

from __future__ import annotations

import sys

from tests.simulation.scenarios import SCENARIOS
from tests.simulation.storm import run_storm

if __name__ == "__main__":
    print(run_storm(SCENARIOS[sys.argv[1]]).trace_hash)
