"""Prints the time of a day's planning for 8 zones and 100 emitters, and of its model; asserts nothing.

Planning a day while water is short: 50 ways of the weather over two months, a forecast of nine days, an
ensemble of 50 members over fourteen, four past years behind them, the worth of a litre on each day, and the
runs. Beside it the same without the ensemble, and the plan alone. Processor time, so that a busy machine says
little less than a quiet one.

PYTHONPATH=. OMP_NUM_THREADS=1 python tests/benchmarks/bench_planning.py
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock

from scheduler.agronomy.weather import DayWeather, Ensemble, Outlook
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.garden_ahead import garden_ahead
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.planning.plan import Plan
from scheduler.planning.spending import MEMBERS, StoreAhead, ration_today, store_ahead, ways_of
from scheduler.planning.watering import plan_day
from scheduler.planning.ways_to_spend import ways_to_spend
from scheduler.sensing.belief import LevelBelief
from scheduler.site.model import WateringWindow
from tests.hindcast import places
from tests.support.planning import large_site, need

REPEATS = 30
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)
DAY = date(2012, 7, 20)
# Of a whole day's planning, and of placing the runs alone.
TARGET_MS, RUNS_TARGET_MS = 150.0, 20.0


def plan(model: GardenModel, level_m: float, store: StoreAhead | None) -> Plan:
    needs = {p.id: need(p.id, 4.0 + 0.1 * i % 3.0, 1.05) for i, p in enumerate(model.site.plants)}
    return plan_day(
        model,
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, level_m, level_m - 0.01, level_m + 0.01),
        needs=needs,
        flow_factors={},
        outlook=None,
        daily_use_l=[50.0] * 30,
        ration=ration_today(store, "ranked") if store is not None else None,
        lasting=store.lasting if store is not None else None,
    )


def planned_whole(
    model: GardenModel, level_m: float, forecast: Outlook | Sequence[DayWeather], past: PastWeather | None
) -> Plan:
    """What the daemon does at dawn."""
    depletion = {p.id: 50.0 + i % 7 for i, p in enumerate(model.site.plants)}
    ways = ways_of(model.site.place, DAY, forecast, past)
    assert ways is not None and ways[0].shape == (MEMBERS, 60)
    store = store_ahead(model, level_m=level_m, depletion_mm=depletion, first=DAY, ways=ways)
    return plan(model, level_m, store)


def with_members(forecast: Sequence[DayWeather], days: Sequence[DayWeather]) -> Outlook:
    """The forecast, and 50 members out of the record's own days, each begun a day later."""
    ways = [[d for d in days if d.day >= DAY + timedelta(days=n)][:14] for n in range(MEMBERS)]
    told = Ensemble(
        DAY,
        tuple(tuple(d.rain_mm for d in way) for way in ways),
        tuple(tuple(d.tmin_c for d in way) for way in ways),
        tuple(tuple(d.tmax_c for d in way) for way in ways),
        "members",
        NOW,
    )
    return Outlook(tuple(forecast), "forecast", NOW, ensemble=told)


def timed(name: str, target_ms: float, do: Callable[[int], object]) -> None:
    times = []
    for i in range(REPEATS):
        begun = time.process_time()
        do(i)
        times.append(1000.0 * (time.process_time() - begun))
    for what, took_ms in (("best", min(times)), ("median", statistics.median(times)), ("worst", max(times))):
        print(f"{name:24} {what:7} {took_ms:8.1f} ms   {took_ms / target_ms:.2f} of {target_ms:.0f} ms")


def main() -> None:
    site = replace(large_site(8, 100), windows=(WateringWindow(clock(1), clock(23)),))
    begun = time.perf_counter()
    model = garden_model(site)
    print(f"model built once {1000.0 * (time.perf_counter() - begun):.1f} ms")
    begun = time.perf_counter()
    plan(model, 0.75, None)
    print(f"first plan (priming solved) {1000.0 * (time.perf_counter() - begun):.1f} ms")
    for zone in model.zones.values():  # what the plans of the first days have solved by then
        for level_m in (0.2, 0.35, 0.5, 0.65, 0.78):
            zone.prime(level_m)
    days = places.seattle()
    forecast = [d for d in days if DAY <= d.day < DAY + timedelta(days=9)]
    past = past_weather([replace(d, day=d.day - timedelta(days=1461)) for d in days], site.place)
    outlook = with_members(forecast, days)
    found = planned_whole(model, 0.5, outlook, past)
    emitters = sum(len(z.emitters) for z in site.zones)
    print(f"{len(site.zones)} zones, {emitters} emitters, {len(site.plants)} plants, {MEMBERS} ways")
    print(f"{len(found.runs)} runs, {len(found.skipped)} zones kept waiting")
    timed("a day's planning", TARGET_MS, lambda i: planned_whole(model, 0.4 + 0.005 * i, outlook, past))
    timed("without an ensemble", TARGET_MS, lambda i: planned_whole(model, 0.4 + 0.005 * i, forecast, past))
    timed("the runs alone", RUNS_TARGET_MS, lambda i: plan(model, 0.4 + 0.005 * i, None))
    ways = ways_of(site.place, DAY, forecast, past)
    assert ways is not None
    garden = garden_ahead(model, [DAY + timedelta(days=n) for n in range(60)], level_m=0.5)
    held_l, root = model.stage.volume_l(0.5), garden.start({})
    timed("three ways to spend", TARGET_MS, lambda i: ways_to_spend(garden, held_l, root, *ways))


if __name__ == "__main__":
    main()
