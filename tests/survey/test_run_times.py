"""Run time for the same litres: it gives them, grows as the level falls, and is unknown where it cannot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.planning.garden import GardenModel, expected_litres, garden_model
from scheduler.survey.run_times import run_times
from tests.support.gardens import small_garden


@pytest.fixture(scope="module")
def garden() -> GardenModel:
    return garden_model(small_garden())


def test_a_run_of_that_time_gives_the_litres(garden: GardenModel) -> None:
    table = run_times(garden, "bed", 12.0, levels=6)
    for level, run_s in zip(table.levels_m, table.runs_s, strict=True):
        given = expected_litres(garden, "bed", float(level), float(run_s)).volume_l
        assert given == pytest.approx(12.0, rel=1e-3)


def test_the_lower_the_water_the_longer_the_run(garden: GardenModel) -> None:
    table = run_times(garden, "pots", 10.0, levels=9)
    assert np.all(np.diff(table.runs_s) < 0.0)


def test_the_band_is_of_more_and_less_flow_and_none_where_its_error_is_unknown(garden: GardenModel) -> None:
    table = run_times(garden, "bed", 10.0, flow_sd_share=0.1, levels=5)
    assert table.shortest_s is not None and table.longest_band_s is not None
    assert np.all(table.shortest_s < table.runs_s) and np.all(table.runs_s < table.longest_band_s)
    # Filling of the lines apart, time goes with one over the flow.
    assert table.longest_band_s[-1] / table.runs_s[-1] == pytest.approx(1 / 0.9, rel=0.03)
    unknown = run_times(garden, "bed", 10.0, levels=5)
    assert unknown.shortest_s is None and unknown.longest_band_s is None


def test_what_no_run_can_give_is_unknown(garden: GardenModel) -> None:
    table = run_times(garden, "bed", 60.0, longest_s=3600.0, levels=5)
    assert np.isnan(table.runs_s).all()


def test_a_zone_above_the_water_has_no_run_time_there() -> None:
    site = small_garden()
    zone = site.zones[1]
    points = tuple(replace(p, drop_m=-0.3) for p in zone.lines[0].points)
    high = replace(zone, lines=(replace(zone.lines[0], points=points),))
    model = garden_model(replace(site, zones=(site.zones[0], high)))
    table = run_times(model, "bed", 5.0, levels=9)
    assert np.isnan(table.runs_s[table.levels_m < 0.3]).all()
    assert np.isfinite(table.runs_s[-1])


@pytest.mark.parametrize("volume_l", [0.0, -1.0, float("nan")])
def test_no_litres_are_refused(garden: GardenModel, volume_l: float) -> None:
    with pytest.raises(ValueError, match="litres above 0"):
        run_times(garden, "bed", volume_l)
