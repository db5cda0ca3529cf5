"""The long section as values: where things lie, how high the water would stand, and who is reached."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.examples import example_site
from scheduler.site.model import Barrel, Emitter, Point, Site
from scheduler.survey.compare import garden_side
from scheduler.survey.section import LongSection, long_section, section_levels
from tests.support.gardens import small_garden


@pytest.fixture(scope="module")
def drums() -> GardenModel:
    return garden_model(example_site("five-drums"))


def with_last_plant_at(drop_m: float) -> Site:
    """The small garden, its last plant at another height."""
    site = small_garden()
    zone = site.zones[1]
    line = zone.lines[0]
    points = (line.points[0], replace(line.points[1], drop_m=drop_m))
    return replace(site, zones=(site.zones[0], replace(zone, lines=(replace(line, points=points),))))


def bed(drop_m: float) -> LongSection:
    return long_section(garden_model(with_last_plant_at(drop_m)), "bed")


def test_a_line_lies_where_the_tape_measure_said(drums: GardenModel) -> None:
    section = long_section(drums, "pots")
    # The outlet lies 51 cm above the paving, the hose is 1.5 m long; the line begins 45 cm under the outlet
    # and its last pot, 7.7 m along it, stands 40 cm under it.
    wall = section.lines[0].places
    assert wall[0] == (pytest.approx(1.5), pytest.approx(0.06))
    last = next(e for e in section.emitters if e.id == "tomato-5-2")
    assert (last.along_m, last.height_m) == (pytest.approx(1.5 + 7.7), pytest.approx(0.11))
    assert (section.outlet_m, section.brim_m) == (pytest.approx(0.51), pytest.approx(1.30))


def test_a_ring_is_as_far_as_the_shorter_way(drums: GardenModel) -> None:
    section = long_section(drums, "border")
    ring = next(line for line in section.lines if line.id == "ring")
    ways = [x for x, _ in ring.places]
    # It leaves the main line at 4 m (5.5 m from the outlet) and is 4.4 m long: its far side is 2.2 m away.
    assert ways[0] == pytest.approx(5.5) and ways[-1] == pytest.approx(5.5)
    assert max(ways) == pytest.approx(7.7)
    steps = np.abs(np.diff(ways)).sum()
    assert steps == pytest.approx(4.4)


def test_the_grade_line_is_the_solvers_and_falls_along_the_way(drums: GardenModel) -> None:
    section = long_section(drums, "pots")
    network = drums.zones["pots"].network
    for grade in section.grades:
        flows = solve(network, grade.level_m)
        assert grade.total_lph == flows.total_lph
        assert grade.water_m == pytest.approx(section.outlet_m + grade.level_m)
        heights = [z for _, z in grade.lines["wall"]]
        assert all(a >= b - 1e-9 for a, b in pairwise(heights))
        assert heights[0] < grade.water_m
        emitter = section.emitters[-1]
        at = [z for x, z in grade.lines["wall"] if abs(x - emitter.along_m) < 1e-6]
        assert at[0] - emitter.height_m == pytest.approx(float(flows.head_m[-1]), abs=1e-9)


def test_full_half_and_low_are_those_of_every_comparison(drums: GardenModel) -> None:
    levels = dict(section_levels(drums))
    # 79 cm from the outlet to the brim; low is a fifth of it, whatever is held in reserve.
    assert levels == pytest.approx({"full": 0.79, "half": 0.395, "low": 0.158})
    assert tuple(levels.values()) == garden_side(drums.site, model=drums).levels_m


def test_an_emitter_is_reached_where_the_grade_line_runs_above_it() -> None:
    # 40 cm above the outlet: with a full barrel (80 cm) yes, at half (40 cm) no more, for the way costs head.
    section = bed(-0.4)
    high = next(e for e in section.emitters if e.id == "b2")
    assert high.reached() == (True, False, False)
    assert high.stops_m == pytest.approx(0.4, abs=0.02) and high.stops_m > 0.4
    low = next(e for e in section.emitters if e.id == "b1")
    assert low.reached() == (True, True, True)
    assert low.stops_m == 0.0
    for grade, reached in zip(section.grades, high.reached(), strict=True):
        stands = max(z for x, z in grade.lines["bed-line"] if abs(x - high.along_m) < 1e-6)
        assert (stands > high.height_m) == reached


def test_a_plant_above_the_brim_is_never_reached() -> None:
    thyme = next(p for p in bed(-0.9).plants if p.id == "thyme")
    assert thyme.stops_m is None
    assert thyme.flows_lph == (0.0, 0.0, 0.0)


def test_plants_come_in_the_order_of_the_way_with_the_sum_of_their_emitters(drums: GardenModel) -> None:
    section = long_section(drums, "pots")
    assert [p.id for p in section.plants] == [f"tomato-{n}" for n in range(1, 6)]
    for plant in section.plants:
        own = [e for e in section.emitters if e.plant == plant.id]
        assert plant.flows_lph == pytest.approx(
            [sum(f) for f in zip(*(e.flows_lph for e in own), strict=True)]
        )


def test_an_emitter_that_waters_nothing_is_drawn_without_a_plant() -> None:
    site = with_last_plant_at(0.4)
    zone = site.zones[1]
    line = zone.lines[0]
    idle = Point(7.5, 0.4, (Emitter("idle", "bubbler", None, 5.0, 0.5),))
    site = replace(
        site, zones=(site.zones[0], replace(zone, lines=(replace(line, points=(*line.points, idle)),)))
    )
    section = long_section(garden_model(site), "bed")
    assert "idle" in [e.id for e in section.emitters]
    assert [p.id for p in section.plants] == ["sage", "thyme"]


@pytest.mark.parametrize(
    ("barrel", "width_m", "brim_m"),
    [
        (Barrel("u", "upright", 0.5, 0.85, diameter_m=0.58), 0.58, 1.35),
        (Barrel("l", "lying", 0.5, 0.6, diameter_m=0.6, length_m=0.9), 0.6, 1.1),
        (Barrel("t", "taper", 0.5, 0.8, diameter_m=0.45, top_diameter_m=0.6), 0.6, 1.3),
        (
            Barrel("c", "taper", 0.5, 0.8, diameter_m=0.45, top_diameter_m=0.45, middle_diameter_m=0.6),
            0.6,
            1.3,
        ),
        (Barrel("b", "box", 0.5, 0.8, length_m=1.0, width_m=0.8, tilt_m=0.06), 1.0, 1.3),
        (Barrel("m", "table", 0.5, 0.8, table=((0.8, 226.19),)), 0.6, 1.3),
    ],
)
def test_every_barrel_shape_has_an_outline_of_its_own_size(
    barrel: Barrel, width_m: float, brim_m: float
) -> None:
    site = small_garden()
    other = replace(site.tank.barrels[1], base_height_m=0.5)
    tank = replace(site.tank, barrels=(other, barrel))
    seen = long_section(garden_model(replace(site, tank=tank)), "bed").barrels[1]
    xs, zs = (np.array(v) for v in zip(*seen.outline, strict=True))
    assert xs.max() - xs.min() == pytest.approx(width_m, rel=1e-3)
    assert (seen.brim_m, zs.max()) == (pytest.approx(brim_m), pytest.approx(brim_m))
    assert zs.min() == pytest.approx(seen.base_m)
    assert seen.base_m == pytest.approx(0.5 - 0.5 * barrel.tilt_m)
