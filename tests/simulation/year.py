"""A year of one garden, with a season's faults: ``python -m tests.simulation.year``. By hand only.

Every 30 days it prints what the process holds, what the store's file would hold, what controller and node
remember, and the rows of each table. Nothing of it may grow but the store's own history, which is kept for
the days that ``pruning.py`` says. Here it is in memory, and one copy of it for the faults' sake, so both are
resident: the last line takes the growth apart.

Measured (seed 0, 365 days): resident 97 to 119 MB. Of the 15.7 MB after day 30, 8.7 are the store (its memory
doubles as it grows, which a file does not) and 3.9 the copy; 0.5 other memory of C code, the rest free pieces
between. Traced by line from day 30 on, Python holds 0.9 MB more, the checkers' own notes of each order; what
the daemon's own lines made grew by some 10 kB.
"""

from __future__ import annotations

import argparse
import gc
import pickle
import sys
from dataclasses import replace
from typing import Any

from tests.simulation import storm as storms
from tests.simulation import world as worlds
from tests.simulation.clockwork import DAY, HOUR
from tests.simulation.faults import KINDS
from tests.simulation.script import draw_season
from tests.simulation.world import World
from tests.support.held_memory import (
    give_back,
    held_bytes,
    malloc_bytes,
    process_bytes,
    resident_bytes,
    sqlite_bytes,
)

YEAR_DAYS = 365
LOOK_DAYS = 30


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
    resident = resident_bytes()
    held = {
        "resident": sum(resident.values()),
        "programs": resident["files"],
        "store_in_memory": sqlite_bytes(),
        "copy": sum(len(content) for _, content, _ in world._snapshots),
        "by_c": malloc_bytes(),
        "blocks": sys.getallocatedblocks(),
    }
    return {
        "day": world.clock.now_ms // DAY,
        "resident_mb": round(held["resident"] / 1e6, 1),
        "held": held,
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


def apart(first: dict[str, Any], last: dict[str, Any]) -> str:
    """What the resident memory grew by from one look to another, and how much of it is what."""
    grown = {
        k: None if v is None or first["held"][k] is None else v - first["held"][k]
        for k, v in last["held"].items()
    }
    words = {"store_in_memory": "the store in memory", "copy": "its copy", "programs": "program pages loaded"}
    parts = [f"{_mb(grown[k])} {name}" for k, name in words.items()]
    c = [grown[k] for k in ("by_c", "store_in_memory", "copy")]
    rest = None if any(x is None for x in c) else c[0] - c[1] - c[2]
    return (
        f"From day {first['day']} to {last['day']} resident memory grew by {_mb(grown['resident'])} MB: "
        f"{', '.join(parts)}, {_mb(rest)} other memory of C code (free pieces between not counted); Python "
        f"holds {grown['blocks']} blocks more, its objects {last['objects_kb'] - first['objects_kb']} kB more"
    )


def _mb(grown: int | None) -> str:
    return "?" if grown is None else f"{grown / 1e6:.1f}"


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.year", description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--days", type=int, default=YEAR_DAYS)
    asked = parser.parse_args(given)
    storm = draw_season(asked.seed, KINDS, days=asked.days)
    storm = replace(storm, settings=replace(storm.settings, days=asked.days))
    began, looks = World.start, list[dict[str, Any]]()

    def start(world: World) -> None:
        def each_day(day: int) -> None:
            shell = world.daemon.shell
            if shell is not None and shell.store_fault is None:
                world.store.prune(world.daemon.machine.wall())
            if day % LOOK_DAYS == 0 or day == asked.days - 1:
                gc.collect()
                looks.append(look(world))
                print(looks[-1], flush=True)

        for day in range(asked.days):
            world.clock.at(day * DAY + 2 * HOUR, lambda day=day: each_day(day))
        began(world)

    World.start = start  # type: ignore[method-assign]
    worlds.SNAPSHOTS_KEPT = 1  # copies of the whole store are the simulation's own weight
    try:
        outcome = storms.run_storm(storm)
    finally:
        World.start = began  # type: ignore[method-assign]
    print(apart(looks[min(1, len(looks) - 1)], looks[-1]))
    print(
        outcome.summary(), f"{outcome.openings} openings, {outcome.happened} faults, {outcome.seconds:.0f} s"
    )
    return 1 if outcome.failed else 0


if __name__ == "__main__":
    sys.exit(main())
