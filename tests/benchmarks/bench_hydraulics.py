"""Prints how the zone table and a run compare with EPANET's warm solve; asserts nothing about time.

Both solve the same 105 nodes (an emitter is a property of its node, without a joint of its own). EPANET steps
through the same levels, each solve starting from the last, its set and run call alone timed. Times are those
of the processor, so that other work on the machine counts less; a ratio is the median over the repeats, in
each of which one follows the other. "Tight" is the accuracy that the comparison of flows needs (HEADERROR
1e-7 m), "loose" that of EPANET by default.

OPENBLAS_NUM_THREADS=1 PYTHONPATH=. python tests/benchmarks/bench_hydraulics.py
"""

from __future__ import annotations

import re
import statistics
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


def one_node_per_emitter(text: str) -> str:
    """The exported file without the joints: each emitter's name stands for the node that it hangs on."""
    place = {m[2]: m[1] for m in re.finditer(r"^ j-\d+ (n-\d+) (\S+) .*$", text, re.MULTILINE)}
    assert len(set(place.values())) == len(place), "two emitters share a node"
    node_of = {node: name for name, node in place.items()}
    kept = []
    for line in text.splitlines():
        words = line.split()
        if words and (words[0].startswith("j-") or words[0] in node_of):
            continue
        kept.append(re.sub(r"\bn-\d+\b", lambda m: node_of.get(m[0], m[0]), line))
    return "\n".join(kept) + "\n"


def loose(text: str) -> str:
    """The file with EPANET's own accuracy."""
    return re.sub(r"^ (ACCURACY|HEADERROR|FLOWCHANGE) .*\n", "", text, flags=re.MULTILINE)


@contextmanager
def engine(text: str) -> Iterator[Callable[[], float]]:
    """A project of EPANET that is ready to run; yields what times a warm pass over the levels (s)."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "zone.inp"
        file.write_text(text)
        project = toolkit.createproject()
        toolkit.open(project, str(file), str(file) + ".rpt", str(file) + ".out")
        toolkit.openH(project)
        toolkit.initH(project, 0)
        tank = toolkit.getnodeindex(project, "OUTLET")
        levels = LEVELS_M[::-1].tolist()

        def timed() -> float:
            begun = time.process_time()
            for level in levels:
                toolkit.setnodevalue(project, tank, toolkit.TANKLEVEL, level)
                toolkit.runH(project)
            return time.process_time() - begun

        yield timed
        toolkit.closeH(project)
        toolkit.close(project)


def compare(mixed: bool, steep: bool) -> None:
    net = plain(mixed=mixed, steep=steep)
    text = one_node_per_emitter(epanet_input(net, 1.0))
    times: list[tuple[float, float, float]] = []
    with engine(text) as tight_pass, engine(loose(text)) as loose_pass:
        for _ in range(REPEATS):
            begun = time.process_time()
            solve_levels(net, LEVELS_M)
            own = time.process_time() - begun
            times.append((own, tight_pass(), loose_pass()))
    own, tight, default = (statistics.median(t) / len(LEVELS_M) * 1e6 for t in zip(*times, strict=True))
    to_tight = statistics.median(own / tight for own, tight, _ in times)
    to_loose = statistics.median(own / default for own, _, default in times)
    name = f"{'steep' if steep else 'plain'} {'mixed' if mixed else 'half'}"
    print(
        f"{name}: {own:.1f} us per level; EPANET warm, tight {tight:.1f} us (ratio {to_tight:.2f}), "
        f"loose {default:.1f} us (ratio {to_loose:.2f})"
    )


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
            begun = time.process_time()
            ask()
            spent.append(time.process_time() - begun)
        print(f"{name}: {statistics.median(spent) * 1e6:.0f} us for 100 emitters")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    for steep in (False, True):
        for mixed in (True, False):
            compare(mixed, steep)
    queries()
