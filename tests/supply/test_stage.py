"""Stage-storage of linked barrels against published volumes and the geometry of simple shapes."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.site.model import Barrel, BarrelShape, Tank
from scheduler.supply.barrel import barrel_litres, cylinder_segment_share
from scheduler.supply.stage import read_off, stage_storage

TABLE = Path(__file__).parent.parent / "reference" / "horizontal_cylinder_fraction.csv"
INCH = 0.0254
GALLON_L = 231 * INCH**3 * 1000  # US gallon by definition, 3.785412 L


def drum(base_m: float = 0.0, name: str = "a") -> Barrel:
    """A 55 gal drum: 22.5 in inside diameter, 33.5 in high (a drum dealer's specification)."""
    return Barrel(name, "upright", base_m, 33.5 * INCH, diameter_m=22.5 * INCH)


def lying(base_m: float = 0.0, name: str = "l") -> Barrel:
    return Barrel(name, "lying", base_m, 24 * INCH, diameter_m=24 * INCH, length_m=48 * INCH)


def box(base_m: float = 0.0, height_m: float = 1.0, name: str = "b") -> Barrel:
    return Barrel(name, "box", base_m, height_m, length_m=1.1, width_m=0.9)


def test_a_drum_of_the_dealers_measures_holds_57_66_gallons():
    assert barrel_litres(drum(), 1.0) / GALLON_L == pytest.approx(57.66, abs=0.005)
    assert barrel_litres(drum(), 1.0) == pytest.approx(218.27, abs=0.01)


def test_a_drum_holds_2_5652_litres_for_each_centimetre():
    assert barrel_litres(drum(), 0.01) == pytest.approx(2.5652, abs=5e-5)
    # 55 gal nominal, 208.198 L, stand 81.16 cm deep.
    assert barrel_litres(drum(), 0.8116) == pytest.approx(208.198, abs=0.02)


def test_a_lying_cylinder_follows_the_table():
    with TABLE.open(encoding="utf-8") as lines:
        rows = [
            (float(r["depth_over_diameter"]), float(r["volume_over_full"])) for r in csv.DictReader(lines)
        ]
    assert len(rows) == 101
    for depth, share in rows:
        assert cylinder_segment_share(depth) == pytest.approx(share, abs=6e-7)


def test_a_lying_tank_of_24_by_48_inches_holds_18_4_gallons_at_6_inches():
    # A published tank chart; 18.378 of 94.003 gal in full precision.
    assert barrel_litres(lying(), 6 * INCH) / GALLON_L == pytest.approx(18.378, abs=5e-4)
    assert barrel_litres(lying(), 24 * INCH) / GALLON_L == pytest.approx(94.003, abs=5e-4)


def test_a_lying_tank_of_48_by_120_inches_holds_183_8_gallons_at_12_inches():
    # Not the 237 gal that is in circulation: 19.55 percent of 940.03 gal.
    tank = Barrel("l", "lying", 0.0, 48 * INCH, diameter_m=48 * INCH, length_m=120 * INCH)
    assert barrel_litres(tank, 12 * INCH) / GALLON_L == pytest.approx(183.777, abs=5e-4)


def test_linked_drums_add_their_surfaces():
    stage = stage_storage(Tank((drum(), drum(name="b"), drum(name="c")), outlet_height_m=0.05))
    assert stage.volume_l(0.40) - stage.volume_l(0.39) == pytest.approx(3 * 2.5652, abs=2e-4)
    assert stage.area_m2(0.4) == pytest.approx(3 * 0.25652, abs=1e-5)


def test_water_under_the_outlet_is_apart():
    stage = stage_storage(Tank((drum(), drum(name="b")), outlet_height_m=0.10))
    assert stage.litres_below_outlet == pytest.approx(2 * 25.652, abs=1e-3)
    assert stage.volume_l(0.0) == 0.0
    assert stage.full_l + stage.litres_below_outlet == pytest.approx(2 * 218.27, abs=0.02)


def test_the_lowest_overflow_is_the_brim():
    stage = stage_storage(Tank((drum(), drum(base_m=-0.2, name="low")), outlet_height_m=0.05))
    assert stage.brim_level_m == pytest.approx(33.5 * INCH - 0.2 - 0.05)
    assert stage.volume_l(stage.brim_level_m + 1.0) == stage.full_l


def test_a_higher_barrel_counts_only_above_its_base():
    stage = stage_storage(Tank((box(), box(base_m=0.5, name="high")), outlet_height_m=0.0))
    assert stage.volume_l(0.5) == pytest.approx(990 * 0.5)
    assert stage.volume_l(0.7) == pytest.approx(990 * (0.7 + 0.2))
    assert (stage.area_m2(0.3), stage.area_m2(0.6)) == (pytest.approx(0.99), pytest.approx(1.98))


def test_a_barrel_that_overflows_under_the_others_base_still_has_a_table():
    # The lower box is full to its brim at 0.3 m, the higher one begins at 0.5 m: the brim is 0.3 m.
    stage = stage_storage(Tank((box(height_m=0.3), box(base_m=0.5, name="high")), outlet_height_m=0.0))
    assert stage.full_l == pytest.approx(990 * 0.3)
    assert stage.level_m(1e9) == pytest.approx(0.3)


def test_an_outlet_below_every_barrel_leaves_no_dead_water():
    stage = stage_storage(Tank((box(base_m=0.5),), outlet_height_m=0.2))
    assert stage.litres_below_outlet == 0.0
    assert stage.volume_l(0.3) == 0.0
    assert stage.volume_l(0.8) == pytest.approx(990 * 0.5)
    assert stage.level_m(0.0) == 0.0
    assert stage.level_m(1e-6) == pytest.approx(0.3, abs=1e-6)


def test_an_unknown_level_gives_an_unknown_volume():
    stage = stage_storage(Tank((drum(),), outlet_height_m=0.05))
    assert math.isnan(stage.volume_l(math.nan))


def test_interpolating_a_lying_drum_costs_less_than_a_hundredth_of_a_litre():
    # 213 L each; the table against the closed form between its rows.
    tank = Tank((lying(), lying(base_m=0.1, name="m")), outlet_height_m=0.05)
    stage = stage_storage(tank)
    worst = 0.0
    for level in np.linspace(0.0, stage.brim_level_m, 997):
        exact = sum(barrel_litres(b, 0.05 + level - b.base_height_m) for b in tank.barrels)
        worst = max(worst, abs(stage.volume_l(level) - (exact - stage.litres_below_outlet)))
    assert worst < 0.01


SHAPES: tuple[BarrelShape, ...] = ("upright", "lying", "box", "taper", "table")


@st.composite
def barrels(draw: st.DrawFn, shape: BarrelShape, name: str) -> Barrel:
    size = draw(st.floats(0.3, 1.2))
    table: tuple[tuple[float, float], ...] = ()
    if shape == "table":
        depths, litres = (
            np.cumsum(draw(st.lists(st.floats(0.05, 0.3), min_size=3, max_size=3))) for _ in range(2)
        )
        table = tuple((float(d), 500.0 * float(v)) for d, v in zip(depths, litres, strict=True))
    bulge = draw(st.sampled_from([None, 1.0, 1.2]))
    top = size * draw(st.floats(0.7, 1.4))
    return Barrel(
        name,
        shape,
        base_height_m=draw(st.floats(0.0, 0.3)),
        height_m=table[-1][0] if table else size,
        diameter_m=size,
        length_m=draw(st.floats(0.3, 2.0)),
        width_m=draw(st.floats(0.3, 1.0)),
        top_diameter_m=top,
        middle_diameter_m=max(size, top) * bulge if bulge else None,
        table=table,
        tilt_m=0.0 if table else draw(st.sampled_from([0.0, 0.0, 0.01, 0.05])),
    )


@st.composite
def tanks(draw: st.DrawFn) -> Tank:
    shapes = draw(st.lists(st.sampled_from(SHAPES), min_size=1, max_size=5))
    made = tuple(draw(barrels(shape, f"b{i}")) for i, shape in enumerate(shapes))
    brim = min(b.base_height_m + b.height_m for b in made)
    return Tank(made, outlet_height_m=draw(st.floats(0.0, min(0.25, 0.9 * brim))))


@settings(deadline=None)
@given(tanks(), st.floats(0, 1), st.floats(0, 1))
def test_more_level_never_means_less_water(tank: Tank, a: float, b: float):
    stage = stage_storage(tank)
    low, high = sorted((a * stage.brim_level_m, b * stage.brim_level_m))
    assert stage.volume_l(low) <= stage.volume_l(high)
    assert stage.area_m2(low) >= 0.0


@settings(deadline=None)
@given(tanks(), st.floats(0.001, 1))
def test_level_and_volume_are_each_others_inverse(tank: Tank, share: float):
    stage = stage_storage(tank)
    volume = share * stage.full_l
    assert stage.volume_l(stage.level_m(volume)) == pytest.approx(volume, rel=1e-9)


def test_a_row_of_five_shapes_holds_the_sum_of_the_five():
    # 2.5652 L/cm for the drum, 9.9 L/cm for the box; the others from their own tests.
    five = (
        drum(),
        box(name="x"),
        lying(name="y"),
        Barrel("t", "taper", 0.0, 0.7, diameter_m=0.5, top_diameter_m=0.6),
        Barrel("m", "table", 0.0, 0.8, table=((0.4, 90.0), (0.8, 200.0))),
    )
    stage = stage_storage(Tank(five, outlet_height_m=0.0))
    assert stage.brim_level_m == pytest.approx(24 * INCH)
    each = [256.52 * 0.6, 990 * 0.6, barrel_litres(five[2], 0.6), barrel_litres(five[3], 0.6), 90 + 110 / 2]
    assert stage.volume_l(0.6) == pytest.approx(sum(each), rel=1e-4)


def test_a_kink_of_a_makers_table_is_a_row_of_the_tanks():
    rows = ((0.1, 20.0), (0.5, 300.0), (0.6, 310.0))
    stage = stage_storage(Tank((Barrel("m", "table", 0.2, 0.6, table=rows),), outlet_height_m=0.25))
    assert [stage.volume_l(d + 0.2 - 0.25) + 10.0 for d, _ in rows[1:]] == pytest.approx([300.0, 310.0])


def test_a_measured_table_wins_over_the_drawn_shapes():
    stage = stage_storage(Tank((box(),), 0.1, measured=((0.0, 0.0), (0.4, 370.0), (0.9, 860.0))))
    assert stage.volume_l(0.2) == pytest.approx(185.0)
    assert stage.full_l == 860.0
    assert stage.litres_below_outlet == pytest.approx(99.0)


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (((0.0, 0.0), (0.4, 300.0), (0.9, 290.0)), "rises"),
        (((0.1, 0.0), (0.9, 290.0)), "0 L at the outlet"),
        (((0.0, 0.0), (0.7, 690.0)), "before the barrels were changed"),
    ],
)
def test_a_measured_table_that_cannot_be_is_refused(rows: tuple[tuple[float, float], ...], why: str):
    with pytest.raises(ValueError, match=why):
        stage_storage(Tank((box(),), 0.1, measured=rows))


def test_an_outlet_above_the_brim_is_refused():
    with pytest.raises(ValueError, match="no lower than the lowest overflow"):
        stage_storage(Tank((box(),), outlet_height_m=1.0))


def test_a_barrel_without_its_measures_is_refused():
    with pytest.raises(ValueError, match="'x' is lying and needs length_m"):
        stage_storage(Tank((Barrel("x", "lying", 0.0, 0.6, diameter_m=0.6),), outlet_height_m=0.0))


def test_a_tank_without_barrels_is_refused():
    with pytest.raises(ValueError, match="without barrels"):
        stage_storage(Tank((), outlet_height_m=0.0))


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=12, unique=True).map(sorted),
    st.data(),
)
@settings(max_examples=200)
def test_one_number_read_off_a_table_is_numpys_to_the_bit(xs: list[float], data: st.DataObject) -> None:
    """NumPy's ``interp`` is the referee; asked between the rows, on them and beyond them."""
    ys = data.draw(st.lists(st.floats(-1e3, 1e3), min_size=len(xs), max_size=len(xs)))
    inside = st.floats(min_value=xs[0], max_value=xs[-1])
    for x in (data.draw(inside), data.draw(st.sampled_from(xs)), xs[0] - 1.0, xs[-1] + 1.0, math.nan):
        expected = float(np.interp(x, xs, ys))
        assert read_off(x, xs, ys) == expected or (math.isnan(x) and math.isnan(expected))
