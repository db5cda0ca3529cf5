"""The drawing is right: its levels, its heads and whom it shows as reached are the survey's own figures."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest

from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Site
from scheduler.survey.section import LongSection, long_section
from scheduler.survey.survey import EmitterSurvey, SurveyResult, survey
from scheduler.web.drawing import (
    NARROW,
    REACH_WORDS,
    WIDE,
    Drawing,
    Format,
    Levels,
    below,
    draw,
    level_text,
    reach,
)
from tests.support.gardens import small_garden

# A drawn place is written to a tenth of the drawing's unit.
PIXEL = 0.06
# Below this an emitter gives drops, not water (the survey's own bound), L/h.
REACHED_LPH = 0.01
SHARES = (0.9, 0.06)
FORMATS = pytest.mark.parametrize("form", [NARROW, WIDE], ids=lambda f: f.name)
# The shipped examples, and a bed on a bank above the outlet, which is not always reached.
GARDENS = pytest.mark.parametrize("name", [*sorted(EXAMPLES), "bank"])


def _bank() -> Site:
    site = small_garden()
    pots, bed = site.zones
    line = bed.lines[0]
    high = tuple(replace(p, drop_m=-0.2 * n) for n, p in enumerate(line.points))
    return replace(site, zones=(pots, replace(bed, lines=(replace(line, points=high),))))


@cache
def _model(name: str) -> GardenModel:
    return garden_model(_bank() if name == "bank" else example_site(name))


@cache
def _survey(name: str, share: float) -> SurveyResult:
    model = _model(name)
    return survey(model.site, share * model.stage.brim_level_m, model=model)


def _drawn(name: str, zone: str, form: Format, share: float = 0.5) -> tuple[LongSection, Levels, Drawing]:
    model = _model(name)
    level_m = share * model.stage.brim_level_m
    levels = Levels(level_m, level_m - 0.01, level_m + 0.01, 0.6 * level_m, model.reserve_level_m)
    section = long_section(model, zone, at=levels.at())
    return section, levels, draw(section, levels, model.site.units, form)


def _height_of(drawing: Drawing, section: LongSection) -> tuple[float, float]:
    """(y of the brim, drawing units per metre), read off the walls of the barrel that carries the outlet: its
    highest and lowest corner are its brim and its bottom."""
    wall = next(p for p in drawing.paths if p.look == "wall")
    ys = [float(y) for _, y in re.findall(r"([\d.]+) ([\d.]+)", wall.d)]
    barrel = section.barrels[0]
    heights = [z for _, z in barrel.outline]
    return min(ys), (max(ys) - min(ys)) / (max(heights) - min(heights))


def _ys(d: str) -> list[float]:
    return [float(y) for _, y in re.findall(r"([-\d.]+) ([-\d.]+)", d)]


@GARDENS
@FORMATS
def test_the_drawn_water_stands_at_the_level_and_falls_to_the_level_after(name: str, form: Format) -> None:
    for zone in _model(name).site.zones:
        section, levels, drawing = _drawn(name, zone.id, form)
        top, per_m = _height_of(drawing, section)
        brim_m = max(z for _, z in section.barrels[0].outline)
        for look, level_m in (("surface", levels.now_m), ("surface after", levels.after_m)):
            assert level_m is not None
            y = _ys(next(p.d for p in drawing.paths if p.look == look))[0]
            assert brim_m - (y - top) / per_m == pytest.approx(
                section.outlet_m + level_m, abs=2 * PIXEL / per_m
            )


@GARDENS
@FORMATS
@pytest.mark.parametrize("share", SHARES)
def test_each_clear_hose_stands_as_high_as_the_surveys_head(name: str, form: Format, share: float) -> None:
    for zone in _survey(name, share).zones:
        section, _, drawing = _drawn(name, zone.id, form, share)
        top, per_m = _height_of(drawing, section)
        brim_m = max(z for _, z in section.barrels[0].outline)
        heads = {e.id: e.head_m for e in zone.emitters}
        flows = {e.id: e.flow_lph for e in zone.emitters}
        middles = {(p.along_m, p.height_m): p for p in section.plants}
        wanted = sorted(
            e.height_m + heads[e.id]
            for e in {
                (e.along_m, e.height_m): e for e in section.emitters if (e.along_m, e.height_m) in middles
            }.values()
            if flows[e.id] >= REACHED_LPH
        )
        drawn = sorted(brim_m - (_ys(p.d)[0] - top) / per_m for p in drawing.paths if p.look == "hose top")
        assert len(drawn) == len(wanted)
        assert drawn == pytest.approx(wanted, abs=2 * PIXEL / per_m)


@GARDENS
@FORMATS
@pytest.mark.parametrize("share", SHARES)
def test_the_plants_and_emitters_shown_as_reached_are_the_surveys(
    name: str, form: Format, share: float
) -> None:
    for zone in _survey(name, share).zones:
        section, _, drawing = _drawn(name, zone.id, form, share)
        wet = {p.id for p in section.plants if _flow(zone.emitters, p.id) >= REACHED_LPH}
        assert {p.id for p in section.plants if reach(p.flows_lph) != "dry"} == wet
        dry = [p for p in section.plants if p.id not in wet]
        shown = [w.text for w in drawing.words if w.look.startswith("gets ")]
        assert shown.count(REACH_WORDS["dry"]) == len(dry)
        crosses = sum(p.look == "mark cross" for p in drawing.paths)
        assert crosses == sum(e.flow_lph < REACHED_LPH for e in zone.emitters)


def _flow(emitters: Iterable[EmitterSurvey], plant: str) -> float:
    return sum(e.flow_lph for e in emitters if e.plant == plant)


def test_on_the_bank_one_plant_is_reached_from_a_high_level_and_one_falls_dry_at_a_low_one() -> None:
    """So that the tests above do not only see gardens where all is reached."""
    section, _, _ = _drawn("bank", "bed", WIDE, SHARES[0])
    assert [reach(p.flows_lph) for p in section.plants] == ["reached", "reached"]
    section, _, drawing = _drawn("bank", "bed", WIDE, 0.3)
    assert [reach(p.flows_lph) for p in section.plants] == ["reached", "dries"]
    assert sum(p.look == "mark half" for p in drawing.paths) == 1
    section, _, _ = _drawn("bank", "bed", WIDE, SHARES[-1])
    assert [reach(p.flows_lph) for p in section.plants] == ["reached", "dry"]


@GARDENS
@FORMATS
def test_nothing_is_drawn_outside_and_no_name_upon_another(name: str, form: Format) -> None:
    for zone in _model(name).site.zones:
        _, _, drawing = _drawn(name, zone.id, form)
        places = [
            (float(x), float(y))
            for p in drawing.paths
            for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", p.d)
        ]
        assert all(0.0 <= x <= drawing.width and 0.0 <= y <= drawing.height for x, y in places)
        columns = sorted(w.x for w in drawing.words if w.look.startswith("name "))
        assert all(b - a >= form.column - 0.01 for a, b in pairwise(columns))
        levels = sorted(w.y for w in drawing.words if w.look.startswith("level "))
        assert all(b - a >= form.line - 0.01 for a, b in pairwise(levels))


@GARDENS
def test_without_a_level_no_water_no_head_and_no_flow_is_drawn(name: str) -> None:
    model = _model(name)
    levels = Levels(None, None, None, None, model.reserve_level_m)
    for zone in model.site.zones:
        section = long_section(model, zone.id, at=levels.at())
        drawing = draw(section, levels, model.site.units, NARROW)
        looks = {p.look.split()[0] for p in drawing.paths}
        assert not looks & {"water", "surface", "grade", "hose"}
        assert {w.text for w in drawing.words if w.look.startswith("gets ")} == {"not known"}
        assert sum(p.look == "barrel unknown" for p in drawing.paths) == len(section.barrels)


def test_shapes_tell_reached_from_not_reached_without_colour() -> None:
    assert reach((2.0, 1.0)) == "reached"
    assert reach((2.0, 0.0)) == "dries"
    assert reach((0.0, 0.0)) == "dry"
    assert reach(()) == "unknown"
    assert len(set(REACH_WORDS.values())) == 4


def test_the_water_of_a_barrel_is_cut_at_its_height() -> None:
    box = ((1.0, 0.0), (1.0, 2.0), (-1.0, 2.0), (-1.0, 0.0))
    assert {z for _, z in below(box, 0.5)} == {0.0, 0.5}
    assert below(box, 3.0) == box
    assert below(box, -1.0) == ()


def test_levels_are_named_to_the_centimetre_or_half_inch() -> None:
    assert level_text(0.456, "metric") == "46 cm"
    # 0.456 m is 17.95 in (25.4 mm each).
    assert level_text(0.456, "us") == "18 in"
    assert level_text(0.4700, "us") == "18.5 in"
