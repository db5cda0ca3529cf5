"""Claims for a measured dry summer: Seattle, 1 July to 15 September 2012, both example gardens.

The weather is NOAA's (public domain) as vega_datasets ships it. One seed each here; run this file as a script
for all five seeds and every figure beside its target:

    python tests/rehearsal/test_season_claims.py

What is asserted here held on every seed when it was written; the script also prints what did not.
"""

from __future__ import annotations

import sys
from datetime import date, datetime, timedelta

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.rehearsal.season import Season, rehearse, spread
from scheduler.rehearsal.trimming import trimmed
from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.supply.stage import stage_storage

FIRST, LAST = date(2012, 7, 1), date(2012, 9, 15)
# The middle of the season, and a usual summer day's reference ET there: what the bubblers are trimmed for.
TRIM_DAY, TRIM_ET0_MM = date(2012, 8, 8), 4.5
# Reports at rest in the tests; the gardens' own sensors report each 5 min.
TEST_REPORT_S = 900.0
# Targets of the project: needs, plans by plant, plans by zone.
NEED_TARGET, PLANT_TARGET, ZONE_TARGET = 0.10, 0.05, 0.03


def seattle_2012() -> tuple[DayWeather, ...]:
    from vega_datasets import data

    rows = data.seattle_weather().itertuples()
    return tuple(
        DayWeather(r.date.date(), r.temp_min, r.temp_max, r.precipitation, wind_ms=r.wind)
        for r in rows
        if r.date.year == 2012
    )


def garden(name: str) -> Site:
    site = example_site(name)
    half_m = stage_storage(site.tank).brim_level_m / 2.0
    return trimmed(site, half_m, TRIM_ET0_MM, TRIM_DAY)


@pytest.fixture(scope="module", params=["five-drums", "uneven-ground"])
def season(request: pytest.FixtureRequest) -> Season:
    return rehearse(garden(request.param), seattle_2012(), FIRST, LAST, 1, rest_report_s=TEST_REPORT_S)


@pytest.mark.slow
def test_no_rule_is_broken_and_no_water_is_lost(season: Season) -> None:
    print(f"seed {season.seed}", *season.hidden.lines(), sep="\n")
    assert season.rules_broken == ()
    assert abs(season.imbalance_l) < 1e-6


@pytest.mark.slow
def test_people_are_told_days_before_the_store_reaches_its_floor(season: Season) -> None:
    assert season.floor_reached is not None  # the spell is long enough to empty both gardens
    told = [a.at for a in season.alerts if a.kind in ("near_empty", "runs_out")]
    assert season.floor_reached - min(told) >= timedelta(days=2)


@pytest.mark.slow
def test_plants_get_nearer_to_their_need_than_a_fixed_timer_brings_them(season: Season) -> None:
    ours = spread(p.need_error for p in season.plants)[1]
    timer = spread(p.fixed_timer_error for p in season.plants)[1]
    assert ours is not None and timer is not None
    assert ours < timer / 2.0


def _percent(value: float | None) -> str:
    return "   --" if value is None else f"{100.0 * value:+5.1f}"


def _line(name: str, value: float | None, target: float) -> str:
    state = "ok" if value is not None and abs(value) <= target else "MISSED"
    return f"  {name:<38}{_percent(value)} %   target {100.0 * target:.0f} %   {state}"


def figures(name: str, seed: int) -> None:
    """Print one season's figures beside the targets; reports at the sensors' own pace."""
    began = datetime.now().astimezone()
    season = rehearse(garden(name), seattle_2012(), FIRST, LAST, seed)
    seconds = (datetime.now().astimezone() - began).total_seconds()
    print(f"{name}, seed {seed}: {seconds:.0f} s, {season.events} events, {len(season.runs)} runs")
    pairs = (
        ("need, whole season", [p.need_error for p in season.plants], NEED_TARGET),
        ("need, worst day from the 8th on", [p.need_error_worst for p in season.plants], NEED_TARGET),
        ("plans by plant, whole season", [p.delivery_error for p in season.plants], PLANT_TARGET),
        ("plans by plant, worst day", [p.delivery_error_worst for p in season.plants], PLANT_TARGET),
        ("plans by zone, whole season", [z.delivery_error for z in season.zones], ZONE_TARGET),
    )
    for label, values, target in pairs:
        print(_line(label, spread(values)[0], target))
    worst, mean = spread(p.fixed_timer_error for p in season.plants)
    print(f"  fixed timer: worst {_percent(worst)} %, mean distance {_percent(mean)} %")
    told = [a.at for a in season.alerts if a.kind in ("near_empty", "runs_out")]
    if season.floor_reached is not None and told:
        print(f"  told {(season.floor_reached - min(told)).days} days before the floor was reached")
    print(f"  rules broken: {list(season.rules_broken)}")


if __name__ == "__main__":
    for garden_name in sys.argv[1:] or ("five-drums", "uneven-ground"):
        for one in range(1, 6):
            figures(garden_name, one)
