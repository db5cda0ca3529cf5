"""Rationing over thirty dry seasons against a planner who knows the weather, and first-come watering.

Store and roof are varied over Seattle's four years, a Greensboro year and a Maricopa season. Stress is 1 -
ETa/ETc of the season by plant (FAO-56 Eq 90), weighted by rank: each rank counts four times the next. The
planner in foresight is a linear programme solved by HiGHS, which may also split litres as finely as it likes:
no real planner reaches it. Rationing is given what a garden would have: the coming week's forecast *degraded*
(``weather.forecast_error``: temperatures off by errors that grow with the lead, rain missed, invented and of
another amount, with a probability a service would name), beyond it 50 ways resampled from the place's own
past: the other years in Seattle, elsewhere only the days before. ``rationing.BELIEVED`` was chosen on
Seattle's 2013 and 2014; ``doses.SCARCE_DOSE`` after seeing all thirty, so that these are no blind test of it;
``doses.CAUGHT_UP_SHARE`` on the thirty with the weather known, then on forecasts of seeds 11 and 12.

Forecasts of seeds 21 to 26 were first run when all that stood; nothing was changed after. Each over its
thirty seasons: rationed 9.1, 10.3, 9.2, 9.7, 10.2 and 8.6 % above foresight in the median, and 9.3 % over all
180; first-come watering 281 %. The first of them is asserted; ``python -m tests.hindcast.dry_seasons 21 22 23
24 25 26`` prints all and the pooled median.
"""

from __future__ import annotations

import statistics
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from scheduler.planning.doses import rank_weights
from scheduler.planning.rationing import allotted
from tests.hindcast.dry_seasons import FIRST_FRESH, Compared, compared, dry_seasons, grouped, line, medians
from tests.hindcast.seasons import foresight, garden_on, rationed_l, run, true_weather

SEED = FIRST_FRESH
RESERVE_L = 40.0


@cache
def every() -> tuple[Compared, ...]:
    """All thirty, once for the tests of this file."""
    print(f"seed {SEED}")
    found = [c for group in grouped(dry_seasons(SEED)) for c in compared(group)]
    for c in found:
        print(line(c))
    return tuple(found)


@pytest.mark.slow
def test_stress_by_rank_is_at_most_a_tenth_above_foresight_in_the_median() -> None:
    found = every()
    ours, first_come = medians(found)
    others = [c for c in found if "2013" not in c.name and "2014" not in c.name]
    print(f"median of {len(found)}: rationed {ours:+.1%}, first come {first_come:+.0%}")
    print(f"of the {len(others)} beside 2013 and 2014: rationed {medians(others)[0]:+.1%}")
    assert len(found) == 30
    # The bound of the project.
    assert ours <= 0.10


@pytest.mark.slow
def test_first_come_watering_is_far_above_rationing() -> None:
    found = every()
    # "Far": half as much again in every season, twice as much in the median (ours; no source gives any).
    assert all(c.first_come >= 1.5 * c.rationed for c in found)
    assert statistics.median(c.first_come / c.rationed for c in found) >= 2.0


@pytest.mark.slow
def test_the_reserve_is_kept_through_every_season_and_foresight_is_a_bound() -> None:
    for c in every():
        assert c.lowest_l >= RESERVE_L - 1e-6, c.name
        assert c.rationed >= c.foresight - 1e-6, c.name


def test_seasons_worked_out_side_by_side_are_as_the_rule_gives_them_one_by_one() -> None:
    seasons = [s for n, s in dry_seasons(SEED).items() if n.startswith("Seattle 2013")][2:4]
    gardens = [garden_on(s, s.start) for s in seasons]
    et0, rain = true_weather(seasons[0])
    ways = (np.stack([0.9 * et0, et0, 1.1 * et0]), np.stack([rain, 0.0 * rain, rain]))
    roots = [0.5 * gardens[0].table.taw_mm, 0.7 * gardens[1].table.taw_mm]
    beside = rationed_l(gardens, [300.0, 500.0], roots, *ways)
    for garden, held_l, root, litres in zip(gardens, (300.0, 500.0), roots, beside, strict=True):
        alone = allotted(garden, held_l, root, *ways).litres
        assert litres.tolist() == pytest.approx(alone.tolist())
        assert litres.sum() > 0.0


def test_the_programme_knows_no_better_than_a_store_that_suffices() -> None:
    """Where the store suffices nobody is stressed, whoever plans."""
    season = next(iter(dry_seasons(SEED).values()))
    ample = replace(season, full_l=50_000.0)
    assert foresight(ample).max() == pytest.approx(0.0, abs=1e-6)
    garden = garden_on(ample, ample.start)
    assert rank_weights(garden) @ run(ample, "rationed, weather known").stress < 0.05
