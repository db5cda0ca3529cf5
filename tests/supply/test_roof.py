"""Roof yield, first flush and the store's day against published examples."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.site.model import Roof
from scheduler.supply.roof import StoreDay, draw_then_spill, overflow_l, roof_catch_l, spill_then_draw

FOOT, INCH_MM = 0.3048, 25.4
GALLON_L = 3.785411784


def test_a_published_roof_yields_what_its_guide_prints():
    # Root Simple (a rainwater guide): 992 ft2, 15.06 in, coefficient 0.9 -> 8,067.34 gal, with 0.6 gal per
    # ft2 and inch. The true ratio is 144/231 = 0.623377, which gives 8,381.7 gal.
    catch = roof_catch_l(Roof(992 * FOOT**2, 0.9, 0.0), 15.06 * INCH_MM)
    assert catch / GALLON_L == pytest.approx(8067.34 * (144 / 231) / 0.6, rel=1e-5)
    assert catch / GALLON_L == pytest.approx(8381.7, abs=0.1)


def test_one_millimetre_on_one_square_metre_is_one_litre():
    assert roof_catch_l(Roof(80.0, 0.90, 0.0), 60.0) == pytest.approx(4320.0)
    # Garden tables: 1 inch on 100 ft2 is 62.34 gal.
    assert roof_catch_l(Roof(100 * FOOT**2, 1.0, 0.0), INCH_MM) / GALLON_L == pytest.approx(62.34, abs=5e-3)


def test_the_first_flush_is_lost_once_on_a_wet_day():
    # Texas Manual on Rainwater Harvesting: 10 gal per 1000 ft2, 0.41 mm.
    roof = Roof(1000 * FOOT**2, 1.0, 10 * GALLON_L / (1000 * FOOT**2))
    assert roof.first_flush_mm == pytest.approx(0.41, abs=5e-3)
    lost = roof_catch_l(Roof(1000 * FOOT**2, 1.0, 0.0), 12.0) - roof_catch_l(roof, 12.0)
    assert lost / GALLON_L == pytest.approx(10.0)
    assert roof_catch_l(roof, 0.3) == 0.0


def test_a_garden_without_a_roof_catches_nothing():
    assert roof_catch_l(None, 20.0) == 0.0


@pytest.mark.parametrize("rain_mm", [-0.1, nan])
def test_rain_that_cannot_be_is_refused(rain_mm: float):
    for roof in (None, Roof(50.0, 0.9, 0.5)):
        with pytest.raises(ValueError, match="unknown rain is left out"):
            roof_catch_l(roof, rain_mm)


def test_a_full_store_lets_the_rest_run_over():
    assert overflow_l(900.0, 250.0, 1000.0) == 150.0
    assert overflow_l(100.0, 250.0, 1000.0) == 0.0


# A public hydrology note: roof 150 m2, C 0.85, tank 10 m3, 200 L/day, rain added first, then the spill, then
# the draw. It prints month-end stores of 3.8, 4.3, 3.8, 0.5, ... 2.3, 3.8 m3, 54 percent supplied and 32 m3
# spilt. The second row is the same arithmetic in full precision from 5 m3, which its January spill implies.
RAIN_MM = [141, 122, 96, 22, 2, 0, 0, 0, 2, 15, 65, 86]
DAYS = [31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
STORE_M3 = [3.80, 4.35, 3.80, 0.61, 0, 0, 0, 0, 0, 0, 2.29, 3.80]


def test_the_monthly_case_of_a_hydrology_note_comes_out():
    roof, held, supplied, spilt, ends = Roof(150.0, 0.85, 0.0), 5000.0, 0.0, 0.0, []
    for rain_mm, days in zip(RAIN_MM, DAYS, strict=True):
        month = spill_then_draw(held, roof_catch_l(roof, rain_mm), 200.0 * days, 10000.0)
        held = month.held_l
        supplied += month.given_l
        spilt += month.overflow_l
        ends.append(held / 1000)
    assert ends == pytest.approx(STORE_M3, abs=5.1e-3)
    assert supplied / 1000 == pytest.approx(39.28, abs=5e-3)
    assert supplied / (200.0 * sum(DAYS)) == pytest.approx(0.538, abs=5e-4)  # printed 54 percent
    assert spilt / 1000 == pytest.approx(32.17, abs=5e-3)  # printed 32 m3


litres = st.floats(0, 5000)


@given(st.floats(0, 1), litres, litres, st.floats(1, 5000))
def test_no_litre_is_made_or_lost_in_the_store(share: float, inflow: float, wanted: float, full: float):
    held = share * full
    for rule in (draw_then_spill, spill_then_draw):
        day = rule(held, inflow, wanted, full)
        assert -1e-9 <= day.held_l <= full + 1e-9
        assert 0.0 <= day.given_l <= wanted
        assert day.overflow_l >= -1e-9
        assert held + inflow == pytest.approx(day.held_l + day.given_l + day.overflow_l, abs=1e-6)


def test_drawing_before_the_rain_promises_no_more_than_drawing_after_it():
    # Fewkes and Butler (2000), from memory: yield after spillage is the cautious rule of the two.
    rain = [0.0, 40.0, 0.0, 700.0, 20.0, 0.0, 0.0, 300.0, 0.0, 0.0]
    assert sum_given(draw_then_spill, rain) < sum_given(spill_then_draw, rain)


def sum_given(rule: Callable[[float, float, float, float], StoreDay], rain: list[float]) -> float:
    held, given_l = 0.0, 0.0
    for inflow in rain:
        day = rule(held, inflow, 90.0, 400.0)
        held, given_l = day.held_l, given_l + day.given_l
    return given_l
