"""The long run: ``python -m tests.simulation --seasons 200 --storms 3000 --workers 2``.

Prints what was found and figures; exit status 1 when a rule broke, or when all were run and too little was
met. ``--replay storm:17`` runs one seed again and prints its trace; ``--shrink gust:17`` cuts a failing one
down to a scenario to keep.
"""

from __future__ import annotations

import argparse
import sys
import time

from tests.simulation.many import DRAWS, run_many
from tests.simulation.shrinking import as_scenario, shrink
from tests.simulation.storm import Outcome, run_storm


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    for kind in DRAWS:
        parser.add_argument(f"--{kind.replace('_', '-')}s", type=int, default=0, metavar="N")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=None, help="begin nothing new after so long")
    parser.add_argument("--wet", type=int, default=0, help="so many faults must come while water can flow")
    parser.add_argument("--pairs", type=float, default=0.0, help="per cent of phase and fault to be met")
    parser.add_argument("--replay", metavar="KIND:SEED")
    parser.add_argument("--shrink", metavar="KIND:SEED")
    asked = parser.parse_args(given)
    if asked.replay or asked.shrink:
        kind, _, seed = (asked.replay or asked.shrink).partition(":")
        return _one(kind, int(seed), shorten=asked.shrink is not None)
    wanted = {kind: getattr(asked, f"{kind}s") for kind in DRAWS}
    jobs = _mixed(wanted, asked.first)
    told = _Told(len(jobs))
    total = run_many(jobs, workers=asked.workers, seconds_max=asked.seconds, on_outcome=told)
    print(total)
    for kind, seed, summary in total.failed:
        print(f"{kind}:{seed}  {summary}")
    if told.done < len(jobs):
        print(f"The time was over after {told.done} of {len(jobs)}: nothing is said of the others.")
    elif asked.wet > total.wet or asked.pairs > 100 * total.pair_share:
        print(f"Too little was met: {asked.wet} wet faults and {asked.pairs} % of the pairs were asked for.")
        return 1
    return 1 if total.failed else 0


def _mixed(wanted: dict[str, int], first: int) -> list[tuple[str, int]]:
    """The kinds in step, so that wherever the time ends each has had its share."""
    found = [((n + 0.5) / count, kind, first + n) for kind, count in wanted.items() for n in range(count)]
    return [(kind, seed) for _, kind, seed in sorted(found)]


class _Told:
    """Says each minute how far it is, and at once what failed."""

    def __init__(self, of: int) -> None:
        self.done, self._of, self._said = 0, of, time.monotonic()

    def __call__(self, kind: str, outcome: Outcome) -> None:
        self.done += 1
        if time.monotonic() - self._said > 60.0:
            self._said = time.monotonic()
            print(f"{self.done} of {self._of}", flush=True)
        if outcome.failed:
            _say(kind, outcome)


def _say(kind: str, outcome: Outcome) -> None:
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
