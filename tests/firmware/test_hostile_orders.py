"""The same hundred thousand orders as on MicroPython, with another seed, against the core in this Python."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.support.hostile_orders import refused_all

ROOT = Path(__file__).parents[2]
COUNT = 100_000


def test_of_a_hundred_thousand_hostile_orders_none_opens() -> None:
    script = Path(__file__).with_name("on_micropython_mutations.py")
    done = subprocess.run(
        [sys.executable, str(script), str(COUNT), "8"],
        env={"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert refused_all(done, COUNT)
