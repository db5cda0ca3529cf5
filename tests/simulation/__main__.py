"""The long run: ``python -m tests.simulation --seasons 200 --storms 3000 --workers 2``.

Prints what was found and figures; exit status 1 when a rule broke. ``--replay storm:17`` runs one seed again
and prints its trace; ``--shrink gust:17`` cuts a failing one down to a scenario to keep.
"""

from __future__ import annotations

import argparse
import sys

from tests.simulation.many import DRAWS, run_many
from tests.simulation.shrinking import as_scenario, shrink
from tests.simulation.storm import Outcome, run_storm


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    for kind in (f"{k}s" for k in DRAWS):
        parser.add_argument(f"--{kind}", type=int, default=0, metavar="N")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=None, help="begin nothing new after so long")
    parser.add_argument("--replay", metavar="KIND:SEED")
    parser.add_argument("--shrink", metavar="KIND:SEED")
    asked = parser.parse_args(given)
    if asked.replay or asked.shrink:
        kind, _, seed = (asked.replay or asked.shrink).partition(":")
        return _one(kind, int(seed), shorten=asked.shrink is not None)
    jobs = [(k, asked.first + n) for k in DRAWS for n in range(getattr(asked, f"{k}s"))]
    seconds = None if asked.minutes is None else asked.minutes * 60.0
    total = run_many(jobs, workers=asked.workers, seconds_max=seconds, on_outcome=_say)
    print(total)
    for kind, seed, summary in total.failed:
        print(f"{kind}:{seed}  {summary}")
    return 1 if total.failed else 0


def _say(kind: str, outcome: Outcome) -> None:
    if outcome.failed:
        print(f"{kind} {outcome.summary()}", flush=True)
        if outcome.crash is not None:
            print(outcome.crash, flush=True)


def _one(kind: str, seed: int, *, shorten: bool) -> int:
    outcome = run_storm(DRAWS[kind](seed), keep_trace=not shorten)
    if shorten and outcome.failed:
        small = shrink(outcome.storm, outcome.rules_broken)
        print(as_scenario(small, f"{kind}_{seed}", run_storm(small).summary()))
    else:
        print("\n".join(outcome.trace or []))
        print(outcome.summary(), outcome.trace_hash)
    return 1 if outcome.failed else 0


if __name__ == "__main__":
    sys.exit(main())
