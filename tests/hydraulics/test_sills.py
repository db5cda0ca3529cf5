"""A line over a high place: below that place's level no water passes (communicating vessels)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.sills import sills_m
from scheduler.planning.garden import garden_model
from scheduler.planning.watering import size_run
from scheduler.site.model import Emitter, Joint, Line, Point, Site, Zone
from scheduler.survey.survey import survey
from tests.support.driving import START
from tests.support.gardens import small_garden


def over_a_wall(wall_m: float, *, also_around: bool = False) -> Site:
    """The bed's line climbs over a wall that stands ``wall_m`` above the outlet, thyme behind it."""
    site = small_garden()
    bed = site.zone("bed")
    line = bed.lines[0]
    before, behind = line.points
    lines: tuple[Line, ...] = (
        replace(line, points=(before, Point(5.0, -wall_m), replace(behind, at_m=7.0, drop_m=0.4))),
    )
    if also_around:
        start, end = Joint(line.id, before.at_m), Joint(line.id, 7.0)
        points = (Point(0.0, 0.4), Point(6.0, 0.4))
        lines += (Line("around", start, end, line.bore_m, 6.0, points),)
    zones = tuple(replace(z, lines=lines) if z.id == "bed" else z for z in site.zones)
    return replace(site, zones=zones)


def sills(site: Site) -> dict[str, float]:
    network = zone_network(site, site.zone("bed"))
    return dict(zip(network.emitter_ids, sills_m(network).tolist(), strict=True))


def test_the_sill_is_the_highest_place_on_the_way_and_the_lowest_way_counts() -> None:
    assert sills(over_a_wall(0.3)) == pytest.approx({"b1": 0.0, "b2": 0.3})
    assert sills(over_a_wall(0.3, also_around=True)) == pytest.approx({"b1": 0.0, "b2": 0.0})
    assert sills(small_garden()) == pytest.approx({"b1": 0.0, "b2": 0.0})


def test_an_emitter_above_the_outlet_is_its_own_sill() -> None:
    site = small_garden()
    bed: Zone = site.zone("bed")
    high = Point(7.5, -0.2, (Emitter("b3", "bubbler", "thyme", 8.0, 0.5),))
    line = replace(bed.lines[0], points=(*bed.lines[0].points, high))
    site = replace(site, zones=(site.zones[0], replace(bed, lines=(line,))))
    assert sills(site)["b3"] == pytest.approx(0.2)


def test_the_zone_is_not_watered_below_the_wall_and_the_survey_says_where_it_stops() -> None:
    site = over_a_wall(0.3)
    model = garden_model(site)
    assert model.floor_level_m("bed") == pytest.approx(0.3)
    sized = size_run(model, "bed", start=START, level_m=0.25, targets_l={"thyme": 3.0}, longest_open_s=7200.0)
    assert [r.code for r in sized.reasons] == ["worst_emitter"]
    (bed,) = (z for z in survey(site, 0.25).zones if z.id == "bed")
    assert bed.worst_emitter_stops_m == pytest.approx(0.3)
    assert bed.levels is not None
    assert bed.levels.emitter_stops_m[1] == pytest.approx(0.3)


def test_behind_a_wall_above_the_brim_nothing_is_ever_given() -> None:
    site = over_a_wall(1.2)
    (bed,) = (z for z in survey(site, 0.7).zones if z.id == "bed")
    assert bed.worst_emitter_stops_m is None
    assert bed.levels is not None
    assert np.isnan(bed.levels.emitter_stops_m[1])
