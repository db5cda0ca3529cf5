"""Claims for a measured dry summer: Seattle, 1 July to 15 September 2012, both example gardens as shipped.

The weather is NOAA's (public domain) as vega_datasets ships it. Hidden from the controller is what a careful
commissioning leaves (``Hidden``): 1.5 % of each emitter's k and 0.015 of its x, 15 % of the flow lost to
clogging by the end, 4 mm of noise and 5 mm of offset in the level, priming, a leak of 0.3 L/h, and forecasts
with errors. The targets are the project's own, of each plant's and zone's litres over the whole season. The
errors of the season so far, day by day, which the script prints too, are larger for some days, and the
stored plans say why: slow ground takes a dose in several openings with pauses between them, and where many
zones are due the day's windows do not hold them all; "what they would have brought stays wanted", until rain
or the next dose brings it. On the uneven ground so got the terrace 2 openings of 3 on 18 July (seed 5: 18 to
20 % short then; by rank the roses, whose first watering it was, 1 of 2, 60 %) and 3 of 4 on 28 July (seed 3,
by rank: 10 %). Watered alike (nothing is kept back, so that every day down to the floor counts) one of the
ten seasons misses one target: on seed 3 the uneven ground's high bed got 3.4 % less than planned where the
target is 3; its flow was known to 3.4 % (sd) from three runs. Run as a script for every figure of every seed:

    python tests/rehearsal/test_season_claims.py [alike]
"""

from __future__ import annotations

import sys
from datetime import date, datetime, timedelta
from functools import cache

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.choices import DEFAULT_WAY, WAYS, Way, known_way
from scheduler.rehearsal.season import Season, rehearse, spread
from scheduler.site.examples import EXAMPLES, example_site

FIRST, LAST = date(2012, 7, 1), date(2012, 9, 15)
SEEDS = (1, 2, 3, 4, 5)
# Targets of the project while the store stands above its floor: needs, plans by plant, plans by zone.
NEED_TARGET, PLANT_TARGET, ZONE_TARGET = 0.10, 0.05, 0.03
# By how much at least a timer set in spring misses the plant that it serves worst.
TIMER_WORST = 0.30


@cache
def seattle_2012() -> tuple[DayWeather, ...]:
    from vega_datasets import data

    rows = data.seattle_weather().itertuples()
    return tuple(
        DayWeather(r.date.date(), r.temp_min, r.temp_max, r.precipitation, wind_ms=r.wind)
        for r in rows
        if r.date.year == 2012
    )


def season_of(name: str, seed: int, way: Way = DEFAULT_WAY) -> Season:
    return rehearse(example_site(name), seattle_2012(), FIRST, LAST, seed, way=way)


# As shipped, the last days before the floor are rationed and do not count. Watered alike, nothing is kept
# back, so that every day down to the floor counts: the harder claim, made with half of the seeds.
CASES: list[tuple[str, int, Way]] = [
    (name, seed, "alike" if seed % 2 else DEFAULT_WAY) for name in EXAMPLES for seed in SEEDS
]
# The season that misses the target of its zones, as said above; it stays wanted.
MISSED = ("uneven-ground", 3, "alike")


@pytest.fixture(scope="module", params=CASES, ids=str)
def season(request: pytest.FixtureRequest) -> Season:
    name, seed, way = request.param
    print(f"{name}, seed {seed}, {way}")
    return season_of(name, seed, way)


@pytest.mark.slow
def test_no_rule_is_broken_and_no_water_is_lost(season: Season) -> None:
    assert season.rules_broken == ()  # "never below the reserve" and "told before it is empty" are among them
    assert abs(season.imbalance_l) < 1e-6


@pytest.mark.slow
def test_people_are_told_days_before_the_store_reaches_its_floor(season: Season) -> None:
    assert season.floor_reached is not None  # the spell is long enough to empty both gardens
    told = [a.at for a in season.alerts if a.kind in ("near_empty", "runs_out")]
    assert season.floor_reached - min(told) >= timedelta(days=2)


@pytest.mark.slow
def test_each_plant_gets_what_it_needs_within_a_tenth(season: Season) -> None:
    errors = {p.id: p.need_error for p in season.plants}
    assert all(e is not None and abs(e) <= NEED_TARGET for e in errors.values()), errors


@pytest.mark.slow
def test_each_plant_gets_what_the_plans_said_within_a_twentieth(season: Season) -> None:
    errors = {p.id: p.delivery_error for p in season.plants}
    assert all(e is not None and abs(e) <= PLANT_TARGET for e in errors.values()), errors


@pytest.mark.slow
def test_each_zone_gets_what_the_plans_said_within_three_percent(
    season: Season, request: pytest.FixtureRequest
) -> None:
    if request.node.callspec.params["season"] == MISSED:
        request.applymarker(pytest.mark.xfail(strict=True, reason="the high bed is 3.4 % off its plans"))
    errors = {z.id: z.delivery_error for z in season.zones}
    assert all(e is not None and abs(e) <= ZONE_TARGET for e in errors.values()), errors


@pytest.mark.slow
def test_a_fixed_timer_misses_the_needs_by_a_multiple(season: Season) -> None:
    _, ours = spread(p.need_error for p in season.plants)
    worst, timer = spread(p.fixed_timer_error for p in season.plants)
    assert ours is not None and timer is not None and worst is not None
    assert timer > 3.0 * ours
    assert abs(worst) >= TIMER_WORST


def _percent(value: float | None) -> str:
    return "   --" if value is None else f"{100.0 * value:+5.1f}"


def _line(name: str, value: float | None, target: float) -> str:
    state = "ok" if value is not None and abs(value) <= target else "MISSED"
    return f"  {name:<38}{_percent(value)} %   target {100.0 * target:.0f} %   {state}"


def figures(name: str, seed: int, way: Way) -> None:
    """Print one season's figures beside the targets."""
    began = datetime.now().astimezone()
    season = season_of(name, seed, way)
    seconds = (datetime.now().astimezone() - began).total_seconds()
    print(f"{name}, seed {seed}, {way}: {seconds:.0f} s, {season.events} events, {len(season.runs)} runs")
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
    overtaken = sum(p.overtaken_l for p in season.plants)
    print(f"  given and made needless by rain later the same day: {overtaken:.0f} L")
    hindsight = spread(p.hindsight_error for p in season.plants)[0]
    print(f"  need, had that rain been foreknown:   {_percent(hindsight)} %")
    told = [a.at for a in season.alerts if a.kind in ("near_empty", "runs_out")]
    if season.floor_reached is not None and told:
        print(f"  told {(season.floor_reached - min(told)).days} days before the floor was reached")
    print(f"  rules broken: {list(season.rules_broken)}")


if __name__ == "__main__":
    chosen = known_way(next((a for a in sys.argv[1:] if a in WAYS), DEFAULT_WAY))
    for garden_name in [a for a in sys.argv[1:] if a not in WAYS] or EXAMPLES:
        for one in SEEDS:
            figures(garden_name, one, chosen)
