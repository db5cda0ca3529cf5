"""Prints how long a survey with pictures of a 100-emitter garden takes, from a cold start; asserts nothing.

The command runs as a process of its own, as a fitter starts it: its modules are compiled once before, as they
are after the first call of an installed program. Beside it stands what the machine takes only to load Python
with NumPy and matplotlib, so that a busy or slow machine can be told. Times of the processor are those of
that process and of the copy of it that draws; wall time is that of the moment.

PYTHONPATH=. python tests/benchmarks/bench_survey.py
"""

from __future__ import annotations

import os
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from scheduler.site.examples import example_text

REPEATS = 5
# Where this is set, Python would compile what changed at every run.
NEVER_KEPT = "PYTHONDONTWRITEBYTECODE"
ZONES, EMITTERS_EACH = 4, 25
LOADING = "import numpy, matplotlib; matplotlib.use('Agg'); import matplotlib.pyplot"


def garden_of_a_hundred() -> str:
    """The five drums' file with four zones of 25 bubblers, two to a plant, on uneven ground."""
    text = example_text("five-drums")
    before, rest = text.split("# ---- Zone 1", 1)
    after = rest.split("# ---- When, and whom", 1)[1]
    valve = re.search(r"\[zone\.valve\]\nchannel = 1.*?\n\n", rest, re.DOTALL)
    assert valve is not None
    zones, plants = [], []
    for z in range(1, ZONES + 1):
        places = [
            f'  {{ at = "{0.5 + 0.3 * i:.1f} m", drop = "{30 + i * 7 % 15} cm", emitter = "bubbler", '
            f'plant = "plant-{z}-{i // 2}", flow = "{1.4 + i * 13 % 12 / 10:.1f} L/h" }},'
            for i in range(EMITTERS_EACH)
        ]
        zones.append(
            f'[[zone]]\nid = "bed-{z}"\nname = "Bed {z}"\nemptied = "20 %"\n\n'
            + valve[0].replace("channel = 1", f"channel = {z}")
            + f'[[zone.line]]\nid = "line-{z}"\nbore = "13.6 mm"\nlength = "9 m"\npoints = [\n'
            + "\n".join(places)
            + "\n]\n"
        )
        plants += [
            f'[[plant]]\nid = "plant-{z}-{p}"\nkind = "tomato"\ncanopy = "0.4 m2"\nrank = 2\nsoil = "loam"\n'
            for p in range((EMITTERS_EACH + 1) // 2)
        ]
    return before + "\n".join([*zones, *plants]) + "\n# ---- When, and whom" + after


def timed(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of one run."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.monotonic()
    own = {name: value for name, value in os.environ.items() if name != NEVER_KEPT}
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=own)
    wall = time.monotonic() - begun
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, now.ru_utime + now.ru_stime - spent.ru_utime - spent.ru_stime


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "hundred.toml"
        site.write_text(garden_of_a_hundred(), encoding="utf-8")
        start = [sys.executable, "-m", "scheduler.cli.main", "survey", str(site)]
        runs = {
            "loading alone": [sys.executable, "-c", LOADING],
            "survey": start,
            "survey with pictures": [*start, "--pictures", str(Path(folder) / "drawn")],
        }
        for command in runs.values():
            timed(command)
        # One after the other in each repeat, so that other work on the machine counts alike for all.
        rounds = [{name: timed(command) for name, command in runs.items()} for _ in range(REPEATS)]
        for name in runs:
            wall, cpu = (statistics.median(t) for t in zip(*(r[name] for r in rounds), strict=True))
            print(f"{name}: {wall:.2f} s on the wall, {cpu:.2f} s of a processor (median of {REPEATS})")
    load = os.getloadavg()[0]
    print(f"other work on the machine: load {load:.1f} on {os.cpu_count()} processors")


if __name__ == "__main__":
    main()
