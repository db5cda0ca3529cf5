"""A year of one garden, with a season's faults: ``python -m tests.simulation.year``. By hand only.

Every 30 days it prints what the process holds, what the store's file would hold, what controller and node
remember, and the rows of each table. Nothing of it may grow but the store's own history, which is kept for
the days that ``pruning.py`` says; it is in memory here, so it counts in what is resident.
"""

from __future__ import annotations

import argparse
import gc
import pickle
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.simulation import storm as storms
from tests.simulation import world as worlds
from tests.simulation.clockwork import DAY, HOUR
from tests.simulation.faults import KINDS
from tests.simulation.script import draw_season
from tests.simulation.world import World
from tests.support.held_memory import give_back, held_bytes, process_bytes

YEAR_DAYS = 365
LOOK_DAYS = 30


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def look(world: World) -> dict[str, Any]:
    raw = world.store.raw
    (pages,) = raw.execute("PRAGMA page_count").fetchone()
    (free,) = raw.execute("PRAGMA freelist_count").fetchone()
    (size,) = raw.execute("PRAGMA page_size").fetchone()
    shell = world.daemon.shell
    state = shell.state if shell is not None else None
    names = [r[0] for r in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    counts = ((n, raw.execute(f"SELECT count(*) FROM {n}").fetchone()[0]) for n in names)
    apart = (world, world.daemon, world.clock, world.rules, world.store)
    give_back()
    return {
        "day": world.clock.now_ms // DAY,
        "resident_mb": round(resident_mb(), 1),
        "store_kb": (pages - free) * size // 1000,
        "controller_kb": round(len(pickle.dumps(state)) / 1000, 1) if state is not None else None,
        "waiting": shell._keeping.waiting if shell is not None else None,
        "inbox": len(shell._inbox) if shell is not None else None,
        "node_memory_b": world.node.memory_bytes,
        "raised": len(shell._raised) if shell is not None else None,
        "objects_kb": process_bytes() // 1000,
        "shell_kb": held_bytes(shell, apart) // 1000 if shell is not None else None,
        "rows": {n: count for n, count in counts if count > 1},
    }


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.year", description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    asked = parser.parse_args(given)
    storm = draw_season(asked.seed, KINDS, days=asked.days)
    storm = replace(storm, settings=replace(storm.settings, days=asked.days))
    began = World.start

    def start(world: World) -> None:
        def each_day(day: int) -> None:
            shell = world.daemon.shell
            if shell is not None and shell.store_fault is None:
                world.store.prune(world.daemon.machine.wall())
            if day % LOOK_DAYS == 0 or day == asked.days - 1:
                gc.collect()
                print(look(world), flush=True)

        for day in range(asked.days):
            world.clock.at(day * DAY + 2 * HOUR, lambda day=day: each_day(day))
        began(world)

    World.start = start  # type: ignore[method-assign]
    worlds.SNAPSHOTS_KEPT = 1  # copies of the whole store are the simulation's own weight
    try:
        outcome = storms.run_storm(storm)
    finally:
        World.start = began  # type: ignore[method-assign]
    print(
        outcome.summary(), f"{outcome.openings} openings, {outcome.happened} faults, {outcome.seconds:.0f} s"
    )
    return 1 if outcome.failed else 0


if __name__ == "__main__":
    sys.exit(main())
