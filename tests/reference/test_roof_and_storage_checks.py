"""Roof yield and storage against published checks that tests/supply does not hold already."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.site.model import Roof
from scheduler.supply.roof import draw_then_spill, roof_catch_l, spill_then_draw
from scheduler.supply.storage import draw_then_catch, roof_catches_l

FOOT = 0.3048  # exact
INCH_MM = 25.4  # exact
GALLON_L = 3.785411784  # 231 in3, exact

# A public hydrology note: roof 150 m2, C 0.85, tank 10 m3, 200 L/day.
NOTE_RAIN_MM = [141, 122, 96, 22, 2, 0, 0, 0, 2, 15, 65, 86]
NOTE_DAYS = [31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def test_the_published_roof_yields_the_same_for_many_ways_at_once() -> None:
    # Root Simple (a rainwater guide): 8,067.34 gal with 0.6 gal per ft2 and inch, so 144/231 / 0.6 of that.
    roof = Roof(992 * FOOT**2, 0.9, 0.0)
    caught = roof_catches_l(roof, np.full((3, 2), 15.06 * INCH_MM)) / GALLON_L
    assert caught == pytest.approx(np.full((3, 2), 8067.34 * (144 / 231) / 0.6), rel=1e-5)


def test_the_largest_advised_first_flush_is_twice_the_least() -> None:
    # Texas manual as quoted: 1 to 2 gal per 100 ft2 are 0.41 to 0.81 mm; what is lost of a wet day is that.
    for gallons, mm in ((1.0, 0.41), (2.0, 0.81)):
        area = 100 * FOOT**2
        roof = Roof(area, 1.0, gallons * GALLON_L / area)
        assert roof.first_flush_mm == pytest.approx(mm, abs=0.006)
        lost = roof_catch_l(Roof(area, 1.0, 0.0), 20.0) - roof_catch_l(roof, 20.0)
        assert lost / GALLON_L == pytest.approx(gallons)


def test_the_hydrology_notes_case_from_an_empty_tank_spills_less_and_supplies_the_same() -> None:
    # Worked from the note's own figures: from empty 27.17 m3 are spilt, 39.28 m3 of 73.05 supplied.
    roof, held, supplied, spilt = Roof(150.0, 0.85, 0.0), 0.0, 0.0, 0.0
    for rain_mm, days in zip(NOTE_RAIN_MM, NOTE_DAYS, strict=True):
        month = spill_then_draw(held, roof_catch_l(roof, rain_mm), 200.0 * days, 10_000.0)
        held, supplied, spilt = month.held_l, supplied + month.given_l, spilt + month.overflow_l
    assert spilt / 1000.0 == pytest.approx(27.17, abs=0.006)
    assert supplied / 1000.0 == pytest.approx(39.28, abs=0.006)


def test_the_cautious_rule_never_supplies_more_on_the_notes_year() -> None:
    # Fewkes and Butler (2000): yield after spillage is the cautious one of the two rules.
    roof, early, late = Roof(150.0, 0.85, 0.0), 5000.0, 5000.0
    given_early = given_late = 0.0
    for rain_mm, days in zip(NOTE_RAIN_MM, NOTE_DAYS, strict=True):
        caught = roof_catch_l(roof, rain_mm)
        a = draw_then_spill(early, caught, 200.0 * days, 10_000.0)
        b = spill_then_draw(late, caught, 200.0 * days, 10_000.0)
        early, late = a.held_l, b.held_l
        given_early, given_late = given_early + a.given_l, given_late + b.given_l
    assert given_early < given_late


def test_many_ways_at_once_are_stepped_as_one_is() -> None:
    # Drawn in the morning, rain by day: 5 m3 less 3.2 and 9 m3 caught fill 10 m3 and spill 0.8.
    day = draw_then_catch(
        np.array([5000.0, 1000.0]),
        np.array([[3200.0], [3200.0]]),
        np.array([0.0]),
        np.full(2, 9000.0),
        10_000.0,
    )
    assert day.given_l[:, 0].tolist() == [3200.0, 1000.0]
    assert day.held_l.tolist() == [10_000.0, 9000.0] and day.overflow_l.tolist() == [800.0, 0.0]


def test_the_notes_quick_size_lasts_its_dry_spell_to_the_day() -> None:
    # Same note: 80 L a day for 240 dry days want 19.2 m3.
    held, lasted = 19_200.0, 0
    while held > 0.0 and lasted < 1000:
        held = draw_then_spill(held, 0.0, 80.0, 19_200.0).held_l
        lasted += 1
    assert lasted == 240
