"""Prints how the zone table and a run compare with EPANET's warm solve; asserts nothing about time.

OPENBLAS_NUM_THREADS=1 PYTHONPATH=. python tests/benchmarks/bench_hydraulics.py
"""

from __future__ import annotations

import statistics
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
from epanet import toolkit

from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.epanet import epanet_input
from scheduler.hydraulics.solve import solve_levels
from tests.support.networks import plain

REPEATS = 40
LEVELS_M = np.linspace(0.3, 2.5, 64)


def compare(mixed: bool, steep: bool) -> None:
    net = plain(mixed=mixed, steep=steep)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "zone.inp"
        file.write_text(epanet_input(net, 1.0))
        project = toolkit.createproject()
        toolkit.open(project, str(file), str(file) + ".rpt", str(file) + ".out")
        toolkit.openH(project)
        toolkit.initH(project, 0)
        tank = toolkit.getnodeindex(project, "OUTLET")
        ours, theirs = [], []
        for _ in range(REPEATS):
            begun = time.perf_counter()
            solve_levels(net, LEVELS_M)
            ours.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            for level in LEVELS_M[::-1].tolist():
                toolkit.setnodevalue(project, tank, toolkit.TANKLEVEL, level)
                toolkit.runH(project)
            theirs.append(time.perf_counter() - begun)
        toolkit.closeH(project)
        toolkit.close(project)
    own, other = (statistics.median(t) / len(LEVELS_M) * 1e6 for t in (ours, theirs))
    name = f"{'steep' if steep else 'plain'} {'mixed' if mixed else 'half'}"
    print(f"{name}: {own:.1f} us per level, EPANET warm {other:.1f} us, ratio {own / other:.2f}")


def queries() -> None:
    down = Drawdown(zone_curve(plain(), 2.0), np.array([0.0, 2.0]), np.array([0.0, 2500.0]))
    targets = {f"plant{i}": 5.0 for i in range(100)}
    asked = {
        "run": lambda: down.run(1.5, 7200.0),
        "balanced run": lambda: down.balanced_run(1.5, targets, max_run_s=1e6, level_floor_m=0.2),
    }
    for name, ask in asked.items():
        spent = []
        for _ in range(200):
            begun = time.perf_counter()
            ask()
            spent.append(time.perf_counter() - begun)
        print(f"{name}: {statistics.median(spent) * 1e6:.0f} us for 100 emitters")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    for steep in (False, True):
        for mixed in (True, False):
            compare(mixed, steep)
    queries()
