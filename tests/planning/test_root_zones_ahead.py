"""The balance over arrays is the balance of one plant and day."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.agronomy.et0 import ReferenceEt
from scheduler.agronomy.need import RootZone, advance_day, plant_need
from scheduler.agronomy.weather import DayWeather
from scheduler.planning.root_zones import due_now, plant_table, readily_mm, use_mm, zones_day
from scheduler.site.model import Plant

FIRST = date(2013, 6, 1)
PLANTS = (
    Plant("tomato", "Tomato", "tomato", 0.5, 1, date(2013, 5, 15), soil="loam"),
    Plant("pot", "Pot", "tomato", 0.3, 1, date(2013, 5, 1), container_l=40.0),
    Plant("tree", "Tree", "fig", 1.5, 2, date(2013, 4, 20), soil="sandy-loam", trunk_diameter_m=0.03),
    Plant("old", "Old one", "tomato", 2.0, 3, soil="clay", plant_factor=0.4, root_depth_m=0.5),
    Plant("later", "Later", "lettuce", 0.2, 3, FIRST + timedelta(days=5), soil="loam"),
)


def test_the_balance_over_arrays_is_that_of_one_plant_and_day() -> None:
    days = [FIRST + timedelta(days=n) for n in range(60)]
    table = plant_table(PLANTS, days)
    rng = np.random.default_rng(5)
    members = 3
    et0 = rng.uniform(0.5, 9.0, (members, len(days)))
    rain = np.where(rng.random((members, len(days))) < 0.2, rng.exponential(6.0, (members, len(days))), 0.0)
    gross = np.where(
        rng.random((members, len(days), 5)) < 0.15, rng.uniform(0.5, 12.0, (members, 60, 5)), 0.0
    )
    for m in range(members):
        zones = [RootZone(p.id, 0.0, None) for p in PLANTS]
        state = np.zeros((1, 5))
        for i, day in enumerate(days):
            etc = use_mm(table, i, et0[m : m + 1, i])
            due = due_now(table, i, state, etc, readily_mm(table, i, etc))
            for p, plant in enumerate(PLANTS):
                need = plant_need(plant, zones[p], day, etc_mm=float(etc[0, p]))
                assert bool(due[0, p]) == need.due, (plant.id, day)
                assert table.gross_l(state)[0, p] == pytest.approx(need.wanted_l, abs=1e-9)
            after = zones_day(
                table, i, state, et0[m : m + 1, i], rain[m : m + 1, i], table.net_mm(gross[m : m + 1, i])
            )
            for p, plant in enumerate(PLANTS):
                weather = DayWeather(day, rain_mm=float(rain[m, i]))
                one = advance_day(
                    plant, zones[p], weather, ReferenceEt(float(et0[m, i]), "", ()), gross[m, i, p]
                )
                zones[p] = one.root_zone
                assert after.depletion_mm[0, p] == pytest.approx(one.root_zone.depletion_mm, abs=1e-9)
                assert table.gross_l(after.percolated_mm)[0, p] == pytest.approx(one.percolated_l, abs=1e-9)
            state = after.depletion_mm
