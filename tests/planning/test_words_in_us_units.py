"""A garden shown in US units hears nothing in millimetres, centimetres or litres."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.agronomy.need import RootZone, plant_need
from scheduler.planning import words
from scheduler.planning.garden import garden_model
from scheduler.planning.once import plan_once
from scheduler.report.plan import plan_answer, plan_rows, reason_lines
from tests.support.gardens import dry_days, small_garden

METRIC = re.compile(r"\d ?(mm|cm|m|L|L/h|kPa)\b")
DAY = date(2012, 7, 20)
SITE = replace(small_garden(), units="us")


@pytest.mark.parametrize("level_m", [0.05, 0.2, 0.6])
@pytest.mark.parametrize("full_days_ago", [1, 6, 20])
def test_a_plan_and_its_reasons(level_m: float, full_days_ago: int) -> None:
    model = garden_model(SITE)
    days = dry_days(DAY - timedelta(days=20), 30)
    made = plan_once(model, level_m=level_m, days=days, day=DAY, full_days_ago=full_days_ago, source="a file")
    answer = plan_answer(made, level_m)
    said = [*reason_lines(SITE, answer), *(r.text for r in made.reasons)]
    said += [r.text for share in made.shares for r in share.reasons]
    said += [" ".join(row) for _, _, rows in plan_rows(SITE, answer) for row in rows]
    assert said
    assert [text for text in said if METRIC.search(text)] == []


def test_how_dry_a_soil_is() -> None:
    """25.4 mm are one inch (NIST SP 811)."""
    sage = SITE.plant("sage")
    need = plant_need(sage, RootZone("sage", 25.4, None), DAY, units="us")
    assert need.why.startswith("1.00 in used of ")
    assert "mm" not in words.due("us", need, "Sage").text
    assert "25 mm used of" in plant_need(sage, RootZone("sage", 25.4, None), DAY).why


def test_what_led_up_to_a_run() -> None:
    text = words.since_watered("us", days=3.0, et0_mm_day=5.08, used_l=30.0, rain_l=2.0).text
    assert "reference evapotranspiration 0.20 in a day" in text
    assert METRIC.search(text) is None
