"""Barrels of every shape against printed volumes; barrels that are not level against plain counting."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.site.mensuration import litres_at_depth, lowest_depth_m
from scheduler.site.model import Barrel

# The school book's pi: its printed volumes are of 22/7.
SCHOOL_PI = 22.0 / 7.0


def taper(bottom_m: float, top_m: float, height_m: float, middle_m: float | None = None) -> Barrel:
    return Barrel(
        "t", "taper", 0.0, height_m, diameter_m=bottom_m, top_diameter_m=top_m, middle_diameter_m=middle_m
    )


@pytest.mark.parametrize(
    ("bottom_cm", "top_cm", "height_cm", "printed_cm3"),
    [
        # NCERT Mathematics, class X, chapter 13 (from memory; each recomputed by hand from its data).
        (2.0, 4.0, 14.0, 102.667),  # the drinking glass: 102 2/3 cm3
        (30.0, 35.0, 14.0, 11641.7),  # the jaggery mould: 11641.7 cm3
        (25.0, 45.0, 34.0, 33615.0),  # the metal bucket: about 33.62 L
    ],
)
def test_a_frustum_holds_what_the_school_book_prints(
    bottom_cm: float, top_cm: float, height_cm: float, printed_cm3: float
):
    # A tenth of a metre for each centimetre: a thousandth of a litre becomes a litre.
    barrel = taper(bottom_cm / 10, top_cm / 10, height_cm / 10)
    assert litres_at_depth(barrel, 100.0) * SCHOOL_PI / pi == pytest.approx(printed_cm3, rel=5e-5)


def test_a_cask_follows_the_formula_for_parabolic_staves():
    # V = pi h (8 D^2 + 4 D d + 3 d^2) / 60 (Bronshtein & Semendyayev, Handbook of Mathematics, from memory;
    # the same in Weisstein's Concise Encyclopedia under "Barrel").
    d, middle, height = 0.48, 0.58, 0.85
    printed = 1000 * pi * height * (8 * middle**2 + 4 * middle * d + 3 * d**2) / 60
    assert litres_at_depth(taper(d, d, height, middle), height) == pytest.approx(printed, rel=1e-12)


def test_a_taper_with_a_straight_middle_is_the_frustum_at_every_depth():
    straight, given_middle = taper(0.45, 0.61, 0.8), taper(0.45, 0.61, 0.8, 0.53)
    for depth in np.linspace(0.0, 0.8, 9):
        assert litres_at_depth(given_middle, depth) == pytest.approx(litres_at_depth(straight, depth))


def test_half_a_cask_is_in_its_lower_half():
    cask = taper(0.5, 0.5, 0.9, 0.6)
    assert litres_at_depth(cask, 0.45) == pytest.approx(0.5 * litres_at_depth(cask, 0.9))


@given(st.floats(0.3, 0.8), st.floats(0.7, 1.4), st.floats(0.05, 1.0))
def test_a_partly_full_frustum_is_a_shorter_frustum(bottom: float, widening: float, share: float):
    # pi h (R^2 + R r + r^2) / 3 with the radius at the surface (any handbook of mensuration).
    top, depth = bottom * widening, 0.8 * share
    surface = bottom + (top - bottom) * share
    printed = 1000 * pi * depth * (bottom**2 + bottom * surface + surface**2) / 12
    assert litres_at_depth(taper(bottom, top, 0.8), depth) == pytest.approx(printed, rel=1e-9)


# ---- A maker's table --------------------------------------------------------------------------------------


def test_a_makers_table_is_read_by_straight_lines_from_the_bottom_on():
    barrel = Barrel("m", "table", 0.0, 0.6, table=((0.2, 40.0), (0.6, 160.0)))
    depths = [-0.1, 0.0, 0.1, 0.2, 0.5, 0.6, 2.0]
    assert [litres_at_depth(barrel, d) for d in depths] == pytest.approx([0, 0, 20, 40, 130, 160, 160])


def test_an_overflow_inside_the_table_ends_it_there():
    barrel = Barrel("m", "table", 0.0, 0.4, table=((0.2, 40.0), (0.6, 160.0)))
    assert litres_at_depth(barrel, 2.0) == pytest.approx(100.0)


# ---- Not level --------------------------------------------------------------------------------------------


def test_the_hoof_over_half_the_bottom_is_archimedes_two_thirds():
    # Archimedes, The Method: a plane through a diameter of the bottom cuts off 2/3 R^2 h. Here the surface
    # meets the bottom in its middle (depth 0) and stands h = R tan(lean) deep at the low side.
    drum = Barrel("d", "upright", 0.0, 0.8, diameter_m=0.6, tilt_m=0.06)
    lean = np.arcsin(0.1)
    assert litres_at_depth(drum, 0.0) == pytest.approx(1000 * 2 / 3 * 0.3**2 * 0.3 * np.tan(lean), rel=1e-12)


def test_a_leaning_drum_whose_bottom_is_wet_all_over_holds_the_area_times_the_depth_on_its_axis():
    drum = Barrel("d", "upright", 0.0, 0.8, diameter_m=0.6, tilt_m=0.06)
    on_axis = 0.5 / np.cos(np.arcsin(0.1))
    assert litres_at_depth(drum, 0.5) == pytest.approx(1000 * pi * 0.09 * on_axis, rel=1e-12)


LEANING = [
    Barrel("u", "upright", 0.0, 0.8, diameter_m=0.57, tilt_m=0.05),
    Barrel("t", "taper", 0.0, 0.8, diameter_m=0.45, top_diameter_m=0.6, tilt_m=0.05),
    Barrel("c", "taper", 0.0, 0.8, diameter_m=0.5, top_diameter_m=0.5, middle_diameter_m=0.6, tilt_m=0.03),
    Barrel("b", "box", 0.0, 0.8, length_m=1.2, width_m=0.8, tilt_m=0.1),
    Barrel("l", "lying", 0.0, 0.5, diameter_m=0.57, length_m=0.9, tilt_m=0.08),
]


def counted_litres(barrel: Barrel, depth_m: float, n: int = 120) -> float:
    """Every little block of the barrel turned by its lean and looked at: does it lie under the water?"""
    along_bottom = barrel.length_m if barrel.shape in ("box", "lying") else barrel.diameter_m
    assert along_bottom is not None
    lean = np.arcsin(barrel.tilt_m / along_bottom)
    widest = max(
        v for v in (barrel.length_m, barrel.diameter_m, barrel.top_diameter_m, barrel.middle_diameter_m) if v
    )
    half, top = 0.5 * widest, 0.9
    middles = (np.arange(n) + 0.5) / n
    across = (2 * middles - 1) * half
    x, y, u = np.meshgrid(across, across, middles * top, indexing="ij", sparse=True)
    # Height above the middle of the bottom: the low side lies at positive x.
    wet = u * np.cos(lean) - x * np.sin(lean) < depth_m
    return float(1000 * np.count_nonzero(is_inside(barrel, x, y, u) & wet) * (2 * half / n) ** 2 * top / n)


def is_inside(barrel: Barrel, x: np.ndarray, y: np.ndarray, u: np.ndarray) -> np.ndarray:
    radius = 0.5 * (barrel.diameter_m or 0.0)
    if barrel.shape == "box":
        assert barrel.length_m and barrel.width_m
        return (abs(x) < barrel.length_m / 2) & (abs(y) < barrel.width_m / 2) & (u > 0)
    if barrel.shape == "lying":
        assert barrel.length_m
        return (abs(x) < barrel.length_m / 2) & (y**2 + (u - radius) ** 2 < radius**2)
    wall = radius + 0.0 * u
    if barrel.shape == "taper":
        assert barrel.top_diameter_m
        places, radii = [0.0, barrel.height_m], [radius, barrel.top_diameter_m / 2]
        if barrel.middle_diameter_m:
            places.append(barrel.height_m / 2)
            radii.append(barrel.middle_diameter_m / 2)
        wall = np.polyval(np.polyfit(places, radii, len(places) - 1), u)
    return x**2 + y**2 < wall**2


@pytest.mark.parametrize("barrel", LEANING, ids=lambda b: b.id)
def test_a_barrel_that_is_not_level_holds_as_many_litres_as_are_counted(barrel: Barrel):
    full = counted_litres(barrel, 0.5)
    for depth in (0.005, 0.02, 0.3, 0.5):
        # Blocks of 5 to 10 mm: counting is good to some tenths of a percent of a full barrel.
        counted = counted_litres(barrel, depth)
        assert litres_at_depth(barrel, depth) == pytest.approx(counted, abs=0.006 * full), depth


@pytest.mark.parametrize("barrel", LEANING, ids=lambda b: b.id)
def test_a_lean_that_vanishes_is_a_level_barrel(barrel: Barrel):
    for depth in (0.1, 0.4):
        level = litres_at_depth(replace(barrel, tilt_m=0.0), depth)
        assert litres_at_depth(replace(barrel, tilt_m=1e-5), depth) == pytest.approx(level, rel=1e-6)


@pytest.mark.parametrize("barrel", LEANING, ids=lambda b: b.id)
def test_litres_of_a_leaning_barrel_rise_with_the_depth_without_a_jump(barrel: Barrel):
    depths = np.linspace(lowest_depth_m(barrel), barrel.height_m, 2001)
    litres = np.array([litres_at_depth(barrel, float(d)) for d in depths])
    steps = np.diff(litres)
    assert litres[0] == 0.0
    assert float(steps.min()) >= -1e-9
    assert float(steps.max()) < 3 * litres[-1] / 2000


def test_the_discs_of_a_leaning_taper_agrees_with_the_closed_form_of_a_drum():
    drum = LEANING[0]
    straight = replace(drum, shape="taper", top_diameter_m=drum.diameter_m)
    for depth in np.linspace(-0.02, 0.8, 42):
        assert litres_at_depth(straight, depth) == pytest.approx(litres_at_depth(drum, depth), abs=1e-3)


def test_a_barrel_that_leans_over_its_own_length_is_refused():
    with pytest.raises(ValueError, match="cannot lean"):
        litres_at_depth(replace(LEANING[0], tilt_m=0.6), 0.3)
