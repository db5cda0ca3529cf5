"""Pictures of a garden: every series named in words, units on every axis, unknown shown as unknown."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scheduler.pictures.cans import DRY, LITTLE, MUCH, RIGHT, UNKNOWN, Can, CanMap, draw_cans, finding
from scheduler.pictures.flow_by_level import _from_the_outlet, draw_flow_by_level
from scheduler.pictures.long_section import draw_long_section
from scheduler.pictures.placing import Room, Spot
from scheduler.pictures.run_time import draw_run_times
from scheduler.pictures.scales import along_scale, flow_scale, level_scale
from scheduler.pictures.style import OF_LETTERS, axes_in, drawing, kept_inside, spread_labels
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.model import Site
from scheduler.survey.levels import zone_levels
from scheduler.survey.run_times import run_times
from scheduler.survey.section import LongSection, long_section
from tests.support.gardens import small_garden


def raised(drop_m: float) -> Site:
    site = small_garden()
    zone = site.zones[1]
    line = zone.lines[0]
    points = (line.points[0], replace(line.points[1], drop_m=drop_m))
    return replace(site, zones=(site.zones[0], replace(zone, lines=(replace(line, points=points),))))


@pytest.fixture(scope="module")
def garden() -> GardenModel:
    return garden_model(raised(-0.3))


@pytest.fixture(scope="module")
def section(garden: GardenModel) -> LongSection:
    return long_section(garden, "bed")


def words(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def letters_stay_text(monkeypatch: pytest.MonkeyPatch) -> None:
    from scheduler.pictures import style

    monkeypatch.setitem(style.SETTINGS, "svg.fonttype", "none")


def test_the_section_names_levels_plants_and_units(section: LongSection, tmp_path: Path) -> None:
    draw_long_section(section, tmp_path / "a.svg")
    text = words(tmp_path / "a.svg")
    for word in (
        "full",
        "half",
        "low",
        "Sage",
        "Thyme: dry below 30.",
        "First to fall dry: Thyme, below 30.",
        "pipe from the outlet, m",
        "height above the datum, cm",
        "hydraulic grade line",
        "down to the half level",
    ):
        assert word in text, word


def test_the_section_speaks_the_gardens_units(section: LongSection, tmp_path: Path) -> None:
    draw_long_section(section, tmp_path / "a.svg", units="us")
    text = words(tmp_path / "a.svg")
    assert "pipe from the outlet, ft" in text and "height above the datum, in" in text
    assert "dry below 11.8 in" in text
    assert "cm" not in text.split("</style>")[-1].split("<defs>")[0]


def test_a_plant_that_is_never_reached_is_said_so(tmp_path: Path) -> None:
    draw_long_section(long_section(garden_model(raised(-0.9)), "bed"), tmp_path / "a.svg")
    text = words(tmp_path / "a.svg")
    assert "Never reached: Thyme." in text and "Thyme: never" in text
    assert ">never<" in text


def test_flow_by_level_names_its_plants_and_says_when_the_error_is_unknown(
    garden: GardenModel, tmp_path: Path
) -> None:
    levels = zone_levels(garden, "bed")
    names = {"sage": "Sage by the gate", "thyme": "Thyme"}
    draw_flow_by_level(levels, tmp_path / "a.svg", title="Bed", names=names, reserve_m=0.1)
    text = words(tmp_path / "a.svg")
    for word in (
        "Sage by the gate",
        "Thyme",
        "flow of a plant, L/h",
        "above the outlet, cm",
        "dry below 30.",
        "held back",
        "How sure these are is not known",
    ):
        assert word in text, word
    draw_flow_by_level(levels, tmp_path / "b.svg", title="Bed", flow_sd_share=0.05, tested_m=(0.2, 0.6))
    banded = words(tmp_path / "b.svg")
    assert "two times out of three" in banded and "measured here" in banded
    assert banded.count("FillBetweenPolyCollection") > text.count("FillBetweenPolyCollection")


def test_a_flow_that_ends_at_the_outlet_is_drawn_on_to_it(garden: GardenModel, tmp_path: Path) -> None:
    """A plant below the outlet flows as long as water reaches it: it stops there and does not fade."""
    survey = zone_levels(garden, "pots")
    assert (survey.plant_stops_m == 0.0).all() and (survey.plant_flow_lph[0] == 0.0).all()
    flow = _from_the_outlet(survey, range(len(survey.plants)))
    just_above = garden.zones["pots"].curve.flows_lph(1e-4) @ garden.zones["pots"].plant_rows.T
    assert flow[0] == pytest.approx(just_above.mean(), rel=0.02)
    assert flow[1:] == pytest.approx(survey.plant_flow_lph[1:].mean(axis=1))


def test_words_stand_clear_of_every_curve_and_of_one_another() -> None:
    """On axes of 10 by 28 units: a line of words is 0.15 inches high, as 8.5 points of a plain font are."""
    with drawing() as make:
        axes = axes_in(make(figsize=(6.0, 4.0)), 0.5, 0.5, 0.5, 0.5)
        axes.set_xlim(0.0, 10.0)
        axes.set_ylim(0.0, 28.0)
        xs = np.linspace(0.0, 10.0, 9)
        room = Room(axes, [(xs, np.full(9, 17.0)), (xs, np.linspace(15.5, 13.0, 9))])
        # Above the lower curve runs the upper one: below it there is room.
        spot = room.beside(2.0, 15.0, "15 min", rows=(1.1, -2.0))
        assert spot.y < 15.0 and room.taken == [spot]
        assert room.beside(2.0, 15.0, "15 min", rows=(1.1, -2.0)) != spot, "other words stand there"
        assert room.freedom(Spot(2.0, 3.0, 0.1)) < 1.0, "below the axis"
        assert room.freedom(Spot(9.5, 10.5, 5.0)) < 0.0, "beyond its end"
        steep = Room(axes, [(np.array([4.0, 4.1]), np.array([0.0, 28.0]))])
        assert steep.freedom(Spot(3.5, 4.5, 14.0)) == 0.0, "a curve that climbs through them"


def test_one_that_has_room_is_not_moved_for_the_sake_of_others() -> None:
    assert spread_labels([1.0, 1.1, 9.0], 1.0) == pytest.approx([0.55, 1.55, 9.0])
    assert spread_labels([9.0, 0.0, 0.0, 0.5], 1.0) == pytest.approx([9.0, -5 / 6, 1 / 6, 7 / 6])


def test_what_is_held_back_is_hatched_at_one_level_in_every_picture(
    garden: GardenModel, tmp_path: Path
) -> None:
    draw_flow_by_level(zone_levels(garden, "bed"), tmp_path / "a.svg", title="Bed", reserve_m=0.1)
    draw_run_times([run_times(garden, "pots", 10.0, levels=5)], tmp_path / "b.svg", title="R", reserve_m=0.1)
    for name in ("a.svg", "b.svg"):
        assert "held back" in words(tmp_path / name)
        assert words(tmp_path / name).count("<pattern ") == 1


def test_plants_that_fall_dry_at_one_level_share_its_words(tmp_path: Path) -> None:
    site = raised(-0.4)
    line = site.zones[1].lines[0]
    here = tuple(replace(p, drop_m=-0.3) for p in line.points)
    more = (
        here[0],
        replace(here[1], emitters=tuple(replace(e, coefficient_lph=9.0) for e in here[1].emitters)),
    )
    zone = replace(site.zones[1], lines=(replace(line, points=more),))
    levels = zone_levels(garden_model(replace(site, zones=(site.zones[0], zone))), "bed")
    draw_flow_by_level(levels, tmp_path / "a.svg", title="Bed")
    assert words(tmp_path / "a.svg").count("dry below 30.") == 1


def test_plants_that_get_alike_share_a_name(tmp_path: Path) -> None:
    levels = zone_levels(garden_model(small_garden()), "bed")
    draw_flow_by_level(levels, tmp_path / "a.svg", title="Bed")
    assert "and thyme" in words(tmp_path / "a.svg")


def test_run_times_write_their_minutes_and_litres(garden: GardenModel, tmp_path: Path) -> None:
    tables = [run_times(garden, z, 10.0, flow_sd_share=0.05, levels=7) for z in ("pots", "bed")]
    draw_run_times(tables, tmp_path / "a.svg", title="Run time", names={"pots": "Pots by the wall"})
    text = words(tmp_path / "a.svg")
    full_min = round(float(tables[0].runs_s[-1]) / 60)
    assert f"10.0 L: {full_min} min" in text
    assert "Pots by the wall" in text and "run time, minutes" in text


def test_a_zone_that_can_never_give_the_litres_is_named_so(garden: GardenModel, tmp_path: Path) -> None:
    never = run_times(garden, "bed", 60.0, longest_s=600.0, levels=4)
    good = run_times(garden, "pots", 10.0, levels=4)
    draw_run_times([good, never], tmp_path / "a.svg", title="Run time")
    assert "not at any level" in words(tmp_path / "a.svg")


def test_a_zone_that_is_not_watered_below_a_level_ends_its_line_there(
    garden: GardenModel, tmp_path: Path
) -> None:
    tables = [run_times(garden, z, 5.0, levels=7) for z in ("pots", "bed")]
    assert tables[0].stops_m == 0.0 and tables[1].levels_m[0] == tables[1].stops_m
    draw_run_times(tables, tmp_path / "a.svg", title="Run time")
    assert words(tmp_path / "a.svg").count("not watered below 30.") == 1


def test_every_curve_that_falls_dry_has_its_level_at_its_cross(tmp_path: Path) -> None:
    """Two plants of one line, 20 and 40 cm above the outlet: two crosses, two levels."""
    site = raised(-0.4)
    line = site.zones[1].lines[0]
    points = (replace(line.points[0], drop_m=-0.2), line.points[1])
    zone = replace(site.zones[1], lines=(replace(line, points=points),))
    levels = zone_levels(garden_model(replace(site, zones=(site.zones[0], zone))), "bed")
    draw_flow_by_level(levels, tmp_path / "a.svg", title="Bed", units="us")
    text = words(tmp_path / "a.svg")
    assert "dry below 7.9 in" in text and "dry below 15.8 in" in text


def can(caught_l: float | None, wanted_l: float = 0.2) -> Can:
    return Can("e", "fig", "main", 1.0, wanted_l, caught_l)


@pytest.mark.parametrize(
    ("caught_l", "kind"),
    [(0.2, RIGHT), (0.181, RIGHT), (0.17, LITTLE), (0.23, MUCH), (0.001, DRY), (0.0, DRY), (None, UNKNOWN)],
)
def test_a_can_is_judged_by_what_it_should_hold(caught_l: float | None, kind: object) -> None:
    assert finding(can(caught_l)) is kind


def test_a_can_under_a_plant_that_wants_nothing_has_no_verdict() -> None:
    assert finding(can(0.1, wanted_l=0.0)) is UNKNOWN


def test_the_can_map_shows_what_is_unknown_as_unknown(tmp_path: Path) -> None:
    row = [0.2, 0.15, None, 0.0, 0.26]
    cans = tuple(
        Can(f"e{n}", f"plant {n // 2}", "main" if n < 3 else "ring", 1.0 + n, 0.2, caught, 0.004)
        for n, caught in enumerate(row)
    )
    draw_cans(CanMap("Border: cans", cans, 0.62, "poor", 15.0), tmp_path / "a.svg")
    text = words(tmp_path / "a.svg")
    for word in (
        "4 of 5 cans measured in 15 minutes. Poor: low quarter 62 % of the mean.",
        "not measured",
        "Line main",
        "Line ring",
        "% of wanted",
        "along the line, m",
        "Figures: mL caught",
        "too little",
        "dry",
        ">?<",
    ):
        assert word in text, word
    draw_cans(CanMap("Border: cans", cans, None, None), tmp_path / "b.svg", units="us")
    assert "Evenness not worked out" in words(tmp_path / "b.svg")
    assert "fl oz" in words(tmp_path / "b.svg")


def test_a_map_without_a_can_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no cans"):
        draw_cans(CanMap("Border", (), None, None), tmp_path / "a.png")


def test_every_picture_names_its_garden_and_day(
    section: LongSection, garden: GardenModel, tmp_path: Path
) -> None:
    """A print is found again among those of other gardens and days; too many changes are cut short."""
    of = "Plot by the mill, drawn 3 May 2031"
    levels, cans = zone_levels(garden, "bed"), (Can("e", "Sage", "main", 1.0, 0.2, 0.2),)
    draw_long_section(section, tmp_path / "a.svg", of=of)
    draw_flow_by_level(levels, tmp_path / "b.svg", title="Bed", of=of)
    draw_run_times([run_times(garden, "bed", 5.0)], tmp_path / "c.svg", title="Run time", of=of)
    draw_cans(CanMap("Border: cans", cans, None, None), tmp_path / "d.svg", of=of)
    assert all(f">{of}</text>" in words(path) for path in sorted(tmp_path.iterdir()))
    long = f"{of}, with: {'open e 10 %; ' * 20}"
    draw_long_section(section, tmp_path / "a.svg", of=long)
    assert f">{long[: OF_LETTERS - 1]}…</text>" in words(tmp_path / "a.svg")


def test_a_png_is_a_png(section: LongSection, tmp_path: Path) -> None:
    draw_long_section(section, tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("scale", "value", "shown", "unit"),
    [
        # NIST Handbook 44 Appendix C: inch 25.4 mm, foot 304.8 mm, gallon 231 cubic inches.
        (level_scale("us"), 0.0254, 1.0, "in"),
        (level_scale("metric"), 0.5, 50.0, "cm"),
        (along_scale("us"), 0.3048, 1.0, "ft"),
        (flow_scale("us"), 3.785411784, 1.0, "gph"),
        (flow_scale("metric"), 2.0, 2.0, "L/h"),
    ],
)
def test_axes_turn_si_into_the_gardens_units(scale, value: float, shown: float, unit: str) -> None:
    assert scale(value) == pytest.approx(shown)
    assert scale.unit == unit


def test_labels_stay_inside_and_apart_while_there_is_room() -> None:
    placed = kept_inside([0.98, 0.99, 1.0, 0.02, 0.0], 0.1, 0.0, 1.0)
    assert min(placed) >= 0.0 and max(placed) <= 1.0
    assert np.diff(sorted(placed)).min() >= 0.1 - 1e-12


def test_matplotlib_loads_only_when_a_garden_is_drawn() -> None:
    code = (
        "import scheduler.pictures.long_section, scheduler.pictures.cans, scheduler.pictures.run_time,"
        "scheduler.pictures.flow_by_level, sys; sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_dollar_in_a_name_begins_no_formula(tmp_path: Path) -> None:
    """A pair of dollars is one to the drawing library; ``$_{$`` is none, and ended the picture."""
    path = tmp_path / "a.svg"
    draw_long_section(long_section(garden_model(small_garden()), "bed"), path, of="Fig $_{$ for $5")
    assert ">Fig $_{$ for $5</text>" in words(path)
