"""The learned flow factor follows clogging that nobody told it of."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.sensing.flow import FlowFactor, ZoneFlows, joined
from scheduler.sensing.flow import learn_flow as learn_joint

# As known to a few per cent before anything is learned.
FRESH_FLOW = FlowFactor(value=1.0, sd=0.03)
START = datetime(2012, 7, 1, tzinfo=UTC)
SEASON_D = 75.0
LOSS = 0.15


def learn_flow(
    factor: FlowFactor, *, modelled_l: float, measured_l: float, measured_sd_l: float, at: datetime
) -> FlowFactor:
    """A garden of one zone."""
    flows = learn_joint(
        joined([("bed", factor)]),
        "bed",
        modelled_l=modelled_l,
        measured_l=measured_l,
        measured_sd_l=measured_sd_l,
        at=at,
    )
    return flows.factor("bed")


def season(
    seed: int, sd_l: float, *, start: float = 1.0, restart_at: int | None = None
) -> tuple[float, list[float]]:
    """Zone total given over planned - 1 of a season, and the error of the factor before each run."""
    rng = np.random.default_rng(seed)
    factor, day = FRESH_FLOW, 0.0
    planned, given_l, errors = 0.0, 0.0, []
    runs = 0
    while (day := day + float(rng.uniform(1.0, 3.0))) <= SEASON_D:
        at = START + timedelta(days=day)
        true = start * (1.0 - LOSS * day / SEASON_D)
        foreseen = factor.at(at).value
        errors.append(foreseen / true - 1.0)
        wanted_l = float(rng.uniform(20.0, 60.0))
        modelled_l = wanted_l / foreseen  # the run is sized so that the corrected model gives what is wanted
        flowed_l = modelled_l * true
        planned, given_l = planned + wanted_l, given_l + flowed_l
        measured_l = flowed_l + float(rng.normal(0.0, sd_l))
        factor = learn_flow(factor, modelled_l=modelled_l, measured_l=measured_l, measured_sd_l=sd_l, at=at)
        runs += 1
        if runs == restart_at:
            factor = FlowFactor(factor.value, factor.sd, factor.updated)
    return given_l / planned - 1.0, errors


@pytest.mark.parametrize("sd_l", [1.0, 2.0])
def test_a_season_of_clogging_leaves_zone_totals_within_three_percent(sd_l: float) -> None:
    totals = [season(seed, sd_l)[0] for seed in range(100)]
    print("seeds 0-99, worst season total", max(totals, key=abs))
    assert max(abs(t) for t in totals) < 0.03


def test_the_filter_does_not_lag_behind_a_steady_loss() -> None:
    late = np.array([np.mean(season(seed, 1.5)[1][-12:]) for seed in range(60)])
    # A filter on the level alone lags by rate x memory (here about 0.2 % a day over a week or two).
    assert abs(late.mean()) < 0.01
    assert np.abs(late).max() < 0.05


def test_a_garden_that_was_wrong_from_the_start_is_found() -> None:
    totals = [season(seed, 1.5, start=0.95)[0] for seed in range(40)]
    assert max(abs(t) for t in totals) < 0.03


def test_restored_from_value_and_sd_it_still_follows() -> None:
    totals = [season(seed, 1.5, restart_at=15)[0] for seed in range(40)]
    assert max(abs(t) for t in totals) < 0.03


def two_zones(seed: int, *, with_the_other: bool) -> float:
    """Mean miss of the factor of a zone that ran three times, by the end of the season; beside it a zone that
    ran every day and clogged alike."""
    rng = np.random.default_rng(seed)
    flows: ZoneFlows = joined([(z, FlowFactor(1.0, 0.015, START)) for z in ("daily", "seldom")])
    for day in range(1, 76):
        at = START + timedelta(days=day)
        true = 1.0 - LOSS * day / SEASON_D
        for zone, due in (("daily", with_the_other), ("seldom", day in (15, 35, 55))):
            if due:
                measured_l = 40.0 * true + float(rng.normal(0.0, 1.8))
                flows = learn_joint(
                    flows, zone, modelled_l=40.0, measured_l=measured_l, measured_sd_l=1.8, at=at
                )
    return abs(flows.factor("seldom", START + timedelta(days=75)).value / (1.0 - LOSS) - 1.0)


def test_a_zone_that_seldom_runs_learns_the_pace_of_clogging_from_one_that_runs_daily() -> None:
    alone = np.mean([two_zones(seed, with_the_other=False) for seed in range(40)])
    beside = np.mean([two_zones(seed, with_the_other=True) for seed in range(40)])
    print("seeds 0-39, mean miss at the end: alone", alone, "beside", beside)
    assert beside < 0.75 * alone
    assert beside < 0.03


def test_the_zones_doubts_stay_a_covariance() -> None:
    rng = np.random.default_rng(7)
    flows = joined([(z, FlowFactor(1.0, 0.1, START)) for z in "abc"])
    for run in range(200):
        at = START + timedelta(hours=9 * run)
        zone = "abc"[int(rng.integers(3))]
        flows = learn_joint(
            flows, zone, modelled_l=20.0, measured_l=float(rng.normal(18.0, 3.0)), measured_sd_l=1.5, at=at
        )
        assert np.linalg.eigvalsh(np.array(flows.cov)).min() > 0.0


def test_factors_known_at_different_times_are_joined_at_the_last_of_them() -> None:
    late = START + timedelta(days=10)
    flows = joined([("a", FlowFactor(0.9, 0.02, START)), ("b", FlowFactor(0.8, 0.02, late))])
    assert flows.updated == late
    assert flows.factor("a").value == pytest.approx(FlowFactor(0.9, 0.02, START).at(late).value)
    assert flows.factor("b").value == pytest.approx(0.8)


def test_the_stated_doubt_is_honest() -> None:
    misses = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        true, factor = 0.93, FRESH_FLOW
        for run in range(10):
            at = START + timedelta(days=run)
            measured_l = 40.0 * true + float(rng.normal(0.0, 1.5))
            factor = learn_flow(factor, modelled_l=40.0, measured_l=measured_l, measured_sd_l=1.5, at=at)
        misses.append(abs(factor.value - true) / factor.sd)
    assert np.mean(np.array(misses) < 1.96) > 0.85


def test_a_can_drawn_during_one_run_teaches_little() -> None:
    factor = FRESH_FLOW
    for run in range(15):
        at = START + timedelta(days=run)
        factor = learn_flow(factor, modelled_l=40.0, measured_l=40.0, measured_sd_l=1.0, at=at)
    odd = learn_flow(
        factor, modelled_l=40.0, measured_l=60.0, measured_sd_l=1.0, at=START + timedelta(days=15)
    )
    assert odd.value == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("modelled_l", "measured_l", "sd_l"), [(0.0, 10.0, 1.0), (40.0, float("nan"), 1.0), (40.0, 38.0, 0.0)]
)
def test_nothing_is_learned_from_nothing(modelled_l: float, measured_l: float, sd_l: float) -> None:
    assert (
        learn_flow(FRESH_FLOW, modelled_l=modelled_l, measured_l=measured_l, measured_sd_l=sd_l, at=START)
        == FRESH_FLOW
    )


@given(
    st.lists(
        st.tuples(st.floats(0.1, 5.0), st.floats(0.5, 200.0), st.floats(-50.0, 400.0), st.floats(0.1, 20.0)),
        max_size=30,
    )
)
def test_whatever_is_measured_the_factor_stays_a_factor(
    runs: list[tuple[float, float, float, float]],
) -> None:
    factor, at = FRESH_FLOW, START
    for days, modelled_l, measured_l, sd_l in runs:
        at += timedelta(days=days)
        factor = learn_flow(factor, modelled_l=modelled_l, measured_l=measured_l, measured_sd_l=sd_l, at=at)
        assert 0.0 < factor.value < 10.0
        assert factor.sd >= 0.0 and np.isfinite(factor.sd)
        assert factor.slope_var >= 0.0
