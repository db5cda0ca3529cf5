"""Fifty gardens with hidden faults, measured by a fitter with a jug, a ruler and a watch.

Hidden are: k and exponent of every bubbler, its real drop (5 mm from the surveyed one), the zero and scale of
the level sensor, two clogged bubblers, and a leak of 2 L/h between the outlet and the valve. There it shows
with the valve shut; behind the valve it would not, and the wet walk has to find it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache

import numpy as np

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve_levels
from scheduler.sensing.scale import level_from_raw
from scheduler.survey.as_built import AsBuilt, TestDone, as_built
from scheduler.survey.leak_test import LeakFound, leak_test
from scheduler.survey.site_mark import site_mark
from tests.support.blind_fitter import BRIM_M, DAY, JUG_SD, LEAK_LPH, Fitter, Truth, hidden_garden

SEEDS = range(50)
# The aim of the issue: zone flow within 3 % from 0.3 to 1.6 m of head.
HEADS_M = np.linspace(0.3, 1.6, 14)
WITHIN = 0.03


@dataclass(frozen=True)
class Trial:
    seed: int
    truth: Truth
    built: AsBuilt
    leak: LeakFound
    levels_m: np.ndarray
    error: np.ndarray  # share of the zone's flow at each of the heads
    sd: np.ndarray  # as stated by the as-built garden

    @property
    def flow_right(self) -> bool:
        return bool((np.abs(self.error) <= WITHIN).all())

    @property
    def leak_right(self) -> bool:
        """Surely a leak, and its size within a quarter."""
        return self.leak.found and abs(self.leak.leak_l_d.value / 24.0 - LEAK_LPH) <= 0.25 * LEAK_LPH

    @property
    def named(self) -> bool:
        """Both clogged bubblers and nothing else."""
        return set(self.built.zones["bed"].weak) == self.truth.clogged


def trial(seed: int, jug_sd: float = JUG_SD) -> Trial:
    truth = hidden_garden(seed)
    fitter, drawn = Fitter(truth, 10_000 + seed, jug_sd), truth.drawn
    tests = (fitter.sensor(), fitter.at_rest(), fitter.head_flow(), fitter.cans())
    kept = [TestDone(i, test, site_mark(drawn, test.zone)) for i, test in enumerate(tests, 1)]
    built = as_built(drawn, kept, now=DAY + timedelta(days=3))
    drop_m = -float(zone_network(truth.real, truth.real.zones[0]).elevation_m.mean())
    levels = np.clip(HEADS_M - drop_m, 0.0, BRIM_M)
    found = zone_network(built.site, built.site.zones[0])
    error = solve_levels(found, levels).flow_lph.sum(axis=1) / truth.flow_lph(levels) - 1.0
    sd = np.array([built.zones["bed"].flow_sd_share(float(level)) for level in levels])
    return Trial(seed, truth, built, leak_test(built.site, kept[1].record), levels, error, sd)


@lru_cache(maxsize=1)
def trials() -> tuple[Trial, ...]:
    return tuple(trial(seed) for seed in SEEDS)


def missed(claim: str, right: list[bool]) -> list[int]:
    seeds = [seed for seed, good in zip(SEEDS, right, strict=True) if not good]
    print(f"{claim}: {len(SEEDS) - len(seeds)} of {len(SEEDS)}; missed with seeds {seeds}")
    return seeds


def test_the_flow_of_the_zone_is_recovered_within_three_per_cent() -> None:
    # The jug alone is off by 1 % (one sd), and one jug measures all: 3 % everywhere is 2 sd of what is left.
    # Reached here: 46 of 50. Over seeds 100 to 299 (measured once): 191 of 200, and 199 of 200 with the jug
    # checked on a scale to 0.3 %.
    worst = sorted(float(np.abs(t.error).max()) for t in trials())
    print("worst errors", [round(e, 4) for e in worst[-6:]])
    assert len(missed("flow within 3 %", [t.flow_right for t in trials()])) <= 4
    assert worst[-1] < 0.05


def test_the_leak_between_outlet_and_valve_is_found() -> None:
    assert len(missed("leak found", [t.leak_right for t in trials()])) == 0


def test_both_clogged_bubblers_are_named_and_no_other() -> None:
    assert len(missed("both named", [t.named for t in trials()])) == 0


def test_all_three_together() -> None:
    right = [t.flow_right and t.leak_right and t.named for t in trials()]
    assert len(missed("all right", right)) <= 4


def test_the_stated_error_of_the_flow_is_the_real_one() -> None:
    # Errors over their stated sd have a spread of 1 when that is honest; 50 trials tell it to 10 %.
    z = np.array([t.error / t.sd for t in trials()])
    print("spread of errors over their stated sd, by head:", z.std(axis=0).round(2))
    assert (np.abs(np.sqrt((z**2).mean(axis=0)) - 1.0) < 0.35).all()


def test_the_sensor_reads_true_once_it_is_calibrated() -> None:
    # Six levels, each the mean of three readings by ruler and five of the sensor, 10 mm each: 7 mm a level.
    off = []
    for t in trials():
        for level in (0.1, 0.7, 1.3):
            raw = (level - t.truth.sensor_offset_m) / t.truth.sensor_scale / 0.001
            off.append(level_from_raw(t.built.site, raw) - level)
    print("sensor after calibration: rms", np.sqrt(np.mean(np.square(off))), "worst", np.abs(off).max())
    assert np.sqrt(np.mean(np.square(off))) < 0.006 and np.abs(off).max() < 0.020


def test_the_exponent_is_found_although_the_drawn_one_was_wrong() -> None:
    # Mean exponent of the bubblers, weighed by their flow at 1 m: to 0.03 by three levels of known height.
    for t in trials():
        true = float(np.average(t.truth.x, weights=t.truth.k_lph))
        assert abs(0.6 + t.built.zones["bed"].shift - true) < 0.06, t.seed
