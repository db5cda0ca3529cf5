"""A survey says who is reached at a level."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import garden_model
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import BarrelLink, Site
from scheduler.survey.survey import survey
from tests.support.gardens import small_garden


def with_high_emitter(drop_m: float) -> Site:
    site = small_garden()
    bed = site.zones[1]
    high = replace(bed.lines[0].points[1], drop_m=drop_m)
    line = replace(bed.lines[0], points=(bed.lines[0].points[0], high))
    return replace(site, zones=(site.zones[0], replace(bed, lines=(line,))))


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_every_emitter_of_an_example_stands_in_it_once(name: str) -> None:
    site = example_site(name)
    result = survey(site, 0.6)
    assert [z.id for z in result.zones] == [z.id for z in site.zones]
    for zone, seen in zip(site.zones, result.zones, strict=True):
        assert [e.id for e in seen.emitters] == [e.id for e in zone.emitters]
        assert seen.flow_lph == pytest.approx(sum(e.flow_lph for e in seen.emitters))
        fed = sum(e.flow_lph for e in seen.emitters if e.plant is not None)
        assert sum(p.flow_lph for p in seen.plants) == pytest.approx(fed)


def test_flows_are_solved_not_interpolated() -> None:
    site = small_garden()
    seen = survey(site, 0.3337, model=garden_model(site)).zones[0]
    flows = solve(zone_network(site, site.zones[0]), 0.3337).flow_lph
    assert [e.flow_lph for e in seen.emitters] == flows.tolist()


def test_a_plant_above_the_water_is_named() -> None:
    result = survey(with_high_emitter(-0.5), 0.3)
    bed = result.zones[1]
    assert bed.emitters[1].flow_lph == 0.0 and bed.emitters[1].head_m < 0.0
    assert any("Thyme gets no water" in f for f in result.findings)
    assert bed.worst_emitter_stops_m == pytest.approx(0.5, abs=0.01)
    assert bed.dead_storage_l is not None and bed.dead_storage_l > 100.0


def test_an_emitter_that_never_flows_leaves_no_number() -> None:
    result = survey(with_high_emitter(-2.0), 0.6)
    assert result.zones[1].worst_emitter_stops_m is None and result.zones[1].dead_storage_l is None
    assert any("never watered" in f for f in result.findings)


def test_a_dry_zone_has_no_uniformity() -> None:
    site = with_high_emitter(-0.5)
    bed = site.zones[1]
    both = tuple(replace(p, drop_m=-0.5) for p in bed.lines[0].points)
    dry = replace(bed, lines=(replace(bed.lines[0], points=both),))
    seen = survey(replace(site, zones=(site.zones[0], dry)), 0.3).zones[1]
    assert seen.flow_lph == 0.0 and seen.du_low_quarter is None


def test_a_level_above_the_brim_is_told() -> None:
    assert any("overflow" in f for f in survey(small_garden(), 1.5).findings)


def test_a_plant_without_emitter_is_told() -> None:
    site = small_garden()
    more = replace(site.plants[0], id="fig", name="Fig")
    assert any(
        "Fig has no emitter" in f for f in survey(replace(site, plants=(*site.plants, more)), 0.5).findings
    )


def test_joints_too_thin_for_the_draw_are_named_with_how_far_the_outlets_barrel_stands_lower() -> None:
    """Two equal drums: half of the draw comes through the joint, and the outlet's barrel stands half of the
    loss below the mean. Laminar loss by Hagen and Poiseuille with 1.30629e-6 m2/s, water of 10 C (IAPWS-97),
    and three velocity heads of fittings."""
    site, bore, length, k = small_garden(), 0.003, 0.5, 3.0
    thin = replace(site, tank=replace(site.tank, link=BarrelLink(bore, length, k)))
    seen = survey(thin, 0.6).zones[1]
    through = seen.flow_lph / 3.6e6 / 2.0
    speed = through / (math.pi / 4.0 * bore**2)
    assert speed * bore / 1.30629e-6 < 2000.0
    loss = 128.0 * 1.30629e-6 * length * through / (math.pi * 9.80665 * bore**4)
    loss += k * speed**2 / (2.0 * 9.80665)
    assert seen.link_gap_m == pytest.approx(loss / 2.0, rel=0.01)
    told = [f for f in survey(thin, 0.6).findings if "joints between the barrels are thin" in f]
    assert any(f"stands {100.0 * loss / 2.0:.1f} cm below the mean" in f for f in told)
    wide = replace(site, tank=replace(site.tank, link=BarrelLink(0.025, length, k)))
    assert not any("joints" in f for f in survey(wide, 0.6).findings)
