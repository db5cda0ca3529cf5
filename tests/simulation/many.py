"""Many storms over several processes, and what they came to."""

from __future__ import annotations

import multiprocessing
import time
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from itertools import islice

from tests.simulation.faults import KINDS
from tests.simulation.script import PHASES, Storm, draw_gust, draw_season, draw_squall, draw_storm
from tests.simulation.storm import Outcome, run_storm

DRAWS: dict[str, Callable[[int], Storm]] = {
    "storm": lambda seed: draw_storm(seed, KINDS, coarse=True),
    "fine_storm": lambda seed: draw_storm(seed, KINDS),
    "gust": lambda seed: draw_gust(seed, KINDS),
    "squall": lambda seed: draw_squall(seed, KINDS),
    "season": lambda seed: draw_season(seed, KINDS, coarse=True),
    "fine_season": lambda seed: draw_season(seed, KINDS),
}
# What the controller may be in when a fault comes: its phases, each of which every fault can meet.
REACHABLE = frozenset((phase, kind) for phase in PHASES for kind in KINDS if not kind.startswith("person"))


@dataclass
class Sum:
    """Outcomes added up."""

    runs: Counter[str] = field(default_factory=Counter)
    happened: int = 0
    wet: int = 0
    openings: int = 0
    lives: int = 0
    pairs: Counter[tuple[str, str]] = field(default_factory=Counter)
    died_at: Counter[str] = field(default_factory=Counter)
    checked: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    failed: list[tuple[str, int, str]] = field(default_factory=list)

    def add(self, kind: str, outcome: Outcome) -> None:
        self.runs[kind] += 1
        self.happened += outcome.happened
        self.wet += outcome.wet
        self.openings += outcome.openings
        self.lives += outcome.lives
        self.pairs.update(outcome.pairs)
        self.died_at.update(outcome.died_at)
        self.checked.update(outcome.checked)
        self.seconds += outcome.seconds
        if outcome.failed:
            self.failed.append((kind, outcome.storm.seed, outcome.summary()))

    @property
    def pair_share(self) -> float:
        return len(REACHABLE & set(self.pairs)) / len(REACHABLE)

    def __str__(self) -> str:
        runs = ", ".join(f"{n} {kind}s" for kind, n in sorted(self.runs.items()))
        met = len(REACHABLE & set(self.pairs))
        return "; ".join(
            (
                f"{runs}: {self.happened} faults and requests",
                f"{self.wet} of the faults while water could flow",
                f"{self.openings} openings",
                f"{self.lives} lives of the daemon, killed at {len(self.died_at)} boundaries",
                f"{met} of {len(REACHABLE)} pairs of phase and fault ({100 * self.pair_share:.0f} %)",
                f"{sum(self.checked.values())} checks of {len(self.checked)} rules",
                f"{self.seconds:.0f} s of processor time",
                f"{len(self.failed)} failed",
            )
        )


def one(job: tuple[str, int]) -> tuple[str, Outcome]:
    kind, seed = job
    return kind, run_storm(DRAWS[kind](seed))


def run_many(
    jobs: Iterable[tuple[str, int]],
    *,
    workers: int = 1,
    seconds_max: float | None = None,
    on_outcome: Callable[[str, Outcome], None] = lambda *_: None,
) -> Sum:
    """Run (kind, seed) jobs, begun in their order; with ``seconds_max`` no new one is begun after so long.

    BrokenProcessPool: a worker died.
    """
    total, end = Sum(), None if seconds_max is None else time.monotonic() + seconds_max
    waiting = iter(jobs)

    def take(kind: str, outcome: Outcome) -> None:
        total.add(kind, outcome)
        on_outcome(kind, outcome)

    def coming(count: int) -> list[tuple[str, int]]:
        over = end is not None and time.monotonic() > end
        return [] if over else list(islice(waiting, count))

    if workers <= 1:
        while job := coming(1):
            take(*one(*job))
        return total
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        running: set[Future[tuple[str, Outcome]]] = set()
        while True:
            running |= {pool.submit(one, job) for job in coming(2 * workers - len(running))}
            if not running:
                return total
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for outcome in done:
                take(*outcome.result())
