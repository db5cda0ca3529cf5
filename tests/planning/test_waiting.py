"""A zone that waits while water is short names the one thing that decided it, as data and in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.planning.calls import ZoneCall, rationed_calls
from scheduler.planning.doses import Coming, coming, middle_of, zone_doses_l
from scheduler.planning.garden import garden_model
from scheduler.planning.garden_ahead import GardenAhead
from scheduler.planning.spending import Ration, ZoneRation
from scheduler.planning.waiting import WORDS, WaitsFor, waits_for, waits_while_short
from tests.support.dry_gardens import dry_garden
from tests.support.gardens import small_garden

FIRST = date(2013, 6, 20)
DAYS = [FIRST + timedelta(days=n) for n in range(40)]
GARDEN = dry_garden(DAYS, full_l=600.0)
BED = GARDEN.zone_ids.index("bed")


def told(root_mm: np.ndarray, rain_mm: np.ndarray, garden: GardenAhead = GARDEN) -> tuple[float, WaitsFor]:
    """The bed's dose and what it waits for."""
    et0 = np.full(rain_mm.shape, 5.0)
    ahead: Coming = middle_of(garden.table, coming(garden.table, et0, rain_mm), et0)
    dose = zone_doses_l(garden, 0, root_mm[None], ahead)[0]
    return float(dose[BED]), waits_for(garden, root_mm[None], ahead)[BED]


def root(share: float) -> np.ndarray:
    """That share of what is readily available today is used up."""
    raw_mm = coming(GARDEN.table, np.full((1, 30), 5.0), np.zeros((1, 30))).raw_mm[0, 0]
    return np.asarray(share * raw_mm)


def rain_on(day: int, depth_mm: float, days: int = 30) -> np.ndarray:
    rain = np.zeros((4, days))
    rain[:, day] = depth_mm
    return rain


def test_plants_that_are_not_due_draw_on_what_they_have() -> None:
    assert told(root(0.2), rain_on(0, 0.0)) == (0.0, "draws")


def test_rain_that_is_nearly_sure_decides_for_plants_that_are_due() -> None:
    assert told(root(1.05), rain_on(0, 0.0))[0] > 0.0
    assert told(root(1.05), rain_on(1, 60.0)) == (0.0, "rain")


def test_the_mean_of_the_ways_decides_where_they_are_too_far_behind_to_wait_for_rain_that_is_sure() -> None:
    assert told(root(1.3), rain_on(1, 60.0))[0] > 0.0  # 29 dry days come behind it
    assert told(root(1.3), np.full((4, 30), 30.0)) == (0.0, "rain_in_mean")


def test_no_room_in_another_of_the_same_rank_decides_where_a_dose_would_overfill_it() -> None:
    """The squash gets nearly all of the bed's water and lacks next to nothing."""
    shares = GARDEN.shares.copy()
    beans, squash = np.flatnonzero(GARDEN.zone_rows == BED)
    shares[beans], shares[squash] = 0.1, 0.9
    lacking = root(1.05)
    lacking[squash] = 0.0
    assert told(lacking, rain_on(0, 0.0), replace(GARDEN, shares=shares)) == (0.0, "no_room")


@pytest.mark.parametrize("waits", list(WORDS))
def test_the_reason_names_that_alone_and_keeps_it_as_data(waits: WaitsFor) -> None:
    model = garden_model(small_garden())
    ration = Ration("ranked", {"bed": ZoneRation(0.0, 0.0, waits=waits)}, {}, 1, None, None, None, 14)
    call = ZoneCall("bed", 1, 1.0, ("sage",))
    watered, kept = rationed_calls(model, [call], ration, (), 0.6)
    assert not watered
    (reason,) = kept["bed"].reasons
    assert reason == waits_while_short(waits)
    assert dict(reason.figures)["waits_for"] == waits
    assert sum(words in reason.text for words in WORDS.values()) == 1
    assert ", or the first" not in reason.text


def test_the_sentence_of_rain_says_how_sure_and_how_much() -> None:
    assert "70 % of the ways" in WORDS["rain"] and "next 2 days" in WORDS["rain"]
    assert "50 % of what" in WORDS["rain"]
