"""Prints the time of a day's plan for 8 zones and 100 emitters, and of building its model; asserts nothing.

PYTHONPATH=. python tests/benchmarks/bench_planning.py
"""

from __future__ import annotations

import statistics
import time
from dataclasses import replace
from datetime import UTC, date, datetime
from datetime import time as clock

from scheduler.planning.garden import garden_model
from scheduler.planning.plan import Plan
from scheduler.planning.watering import plan_day
from scheduler.sensing.belief import LevelBelief
from scheduler.site.model import WateringWindow
from tests.support.planning import large_site, need

REPEATS = 50
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)
TARGET_MS = 20.0


def main() -> None:
    site = replace(large_site(8, 100), windows=(WateringWindow(clock(1), clock(23)),))
    begun = time.perf_counter()
    model = garden_model(site)
    built_ms = 1000.0 * (time.perf_counter() - begun)
    needs = {p.id: need(p.id, 4.0 + 0.1 * i % 3.0, 1.05) for i, p in enumerate(site.plants)}

    def plan(level_m: float) -> Plan:
        belief = LevelBelief("good", NOW, level_m, level_m - 0.01, level_m + 0.01)
        return plan_day(
            model,
            now=NOW,
            day=date(2012, 7, 20),
            belief=belief,
            needs=needs,
            flow_factors={},
            outlook=None,
            daily_use_l=[50.0] * 30,
        )

    begun = time.perf_counter()
    made = plan(0.75)
    first_ms = 1000.0 * (time.perf_counter() - begun)
    for zone in model.zones.values():  # what the plans of the first days have solved by then
        for level_m in (0.2, 0.35, 0.5, 0.65, 0.78):
            zone.prime(level_m)
    times = []
    for i in range(REPEATS):
        begun = time.perf_counter()
        plan(0.40 + 0.007 * i)
        times.append(1000.0 * (time.perf_counter() - begun))
    emitters = sum(len(z.emitters) for z in site.zones)
    print(f"{len(site.zones)} zones, {emitters} emitters, {len(made.runs)} runs in the plan")
    print(f"model built once            {built_ms:8.1f} ms")
    print(f"first plan (priming solved) {first_ms:8.1f} ms")
    median, worst = statistics.median(times), max(times)
    for name, took_ms in ((f"plan, median of {REPEATS}", median), ("plan, worst", worst)):
        print(f"{name:27} {took_ms:8.1f} ms   {took_ms / TARGET_MS:.2f} of {TARGET_MS:.0f} ms")


if __name__ == "__main__":
    main()
