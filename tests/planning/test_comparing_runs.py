"""A run is longer than last week's: the change is split into its causes without a rest."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.planning import words
from scheduler.planning.comparing import compare_runs
from scheduler.planning.plan import PlannedRun

START = datetime(2031, 7, 1, 12, tzinfo=UTC)


def run(
    volume_l: float, flow_lph: float, *, factor: float = 1.0, days: float = 4.0, used_l: float = 20.0
) -> PlannedRun:
    run_s = 3600.0 * volume_l / flow_lph
    reasons = (
        words.run_time(
            "metric", level_m=0.5, flow_lph=flow_lph, run_s=run_s, volume_l=volume_l, level_end_m=0.4
        ),
        words.flow_corrected(factor),
        words.since_watered("metric", days=days, et0_mm_day=4.0, used_l=used_l, rain_l=0.0),
    )
    return PlannedRun("beds", START, run_s, volume_l, 0.5, 0.4, (), reasons)


def causes(before: PlannedRun, after: PlannedRun) -> dict[str, float]:
    split = compare_runs(before, after)
    assert split is not None
    return {c.kind: c.change_s for c in split.causes}


def test_half_the_flow_doubles_the_time_and_the_head_is_all_of_it() -> None:
    # Litres over flow (arithmetic): 20 L at 40 L/h are 1800 s, at 20 L/h 3600 s.
    found = causes(run(20.0, 40.0), run(20.0, 20.0))
    assert found["head"] == pytest.approx(1800.0)
    assert all(found[k] == pytest.approx(0.0) for k in ("clogging", "weather", "days", "rest"))


def test_the_learned_share_of_the_flow_is_clogging_not_head() -> None:
    found = causes(run(20.0, 40.0, factor=1.0), run(20.0, 36.0, factor=0.9))
    assert found["clogging"] == pytest.approx(200.0)
    assert found["head"] == pytest.approx(0.0)


def test_hotter_days_and_more_of_them_are_told_apart() -> None:
    # 20 L in 4 days, then 40 L in 5: per day 5 and 8 L, by the logarithmic mean of 1800 and 3600 s.
    found = causes(run(20.0, 40.0), run(40.0, 40.0, days=5.0, used_l=40.0))
    mean_s = 1800.0 / math.log(2.0)
    assert found["weather"] == pytest.approx(mean_s * math.log(8.0 / 5.0))
    assert found["days"] == pytest.approx(mean_s * math.log(5.0 / 4.0))
    assert found["rest"] == pytest.approx(0.0, abs=1e-6)


@given(
    st.tuples(*[st.floats(1.0, 200.0)] * 4),
    st.tuples(st.floats(0.3, 1.5), st.floats(0.3, 1.5)),
    st.tuples(*[st.floats(1.0, 30.0)] * 2),
    st.tuples(*[st.floats(0.5, 200.0)] * 2),
)
def test_the_causes_always_add_up_to_the_whole_change(
    sizes: tuple[float, ...], factors: tuple[float, float], days: tuple[float, ...], used: tuple[float, ...]
) -> None:
    before = run(sizes[0], sizes[1], factor=factors[0], days=days[0], used_l=used[0])
    after = run(sizes[2], sizes[3], factor=factors[1], days=days[1], used_l=used[1])
    change_s = after.run_s - before.run_s
    assert sum(causes(before, after).values()) == pytest.approx(change_s, abs=1e-6 * (1.0 + before.run_s))


def test_a_plan_that_did_not_keep_its_flow_is_not_compared() -> None:
    bare = PlannedRun("beds", START, 100.0, 10.0, 0.5, 0.4, (), ())
    assert compare_runs(bare, run(20.0, 40.0)) is None
