"""Where the head goes adds up; the longest lateral agrees with the closed form; humps are found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import garden_model
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Emitter, Line, Point, Site
from scheduler.survey.air import air_places
from scheduler.survey.head_budget import head_budgets
from scheduler.survey.laterals import EMITTERS_MAX, _most, longest_lateral
from scheduler.survey.levels import WEAK_SHARE, zone_levels
from scheduler.survey.survey import survey, uniformity_class
from tests.support.gardens import small_garden


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_the_parts_of_the_head_add_up_to_the_static_head(name: str) -> None:
    site = example_site(name)
    for zone in site.zones:
        network = zone_network(site, zone)
        for budget in head_budgets(site, zone, network, solve(network, 0.5)):
            assert sum(budget.parts_m.values()) == pytest.approx(budget.static_m, abs=1e-9)
            assert all(m >= -1e-12 for part, m in budget.parts_m.items() if part != "emitter")


def test_the_valve_takes_what_its_kv_says() -> None:
    # Kv: m3/h of water at 1 bar across it (IEC 60534-1): dp = (Q / Kv)^2 bar, 1 bar = 10.1972 m of water.
    site = small_garden()
    zone = site.zones[0]
    network = zone_network(site, zone)
    flows = solve(network, 0.5)
    budget = head_budgets(site, zone, network, flows)[0]
    expected = (flows.total_lph / 1000.0 / 6.0) ** 2 * 10.1972
    assert budget.parts_m["valve"] == pytest.approx(expected, rel=1e-4)
    assert budget.parts_m["filter"] == pytest.approx(expected, rel=1e-4)


def test_an_emitter_weakens_and_stops_where_its_own_flow_says() -> None:
    site = small_garden()
    bed = site.zones[1]
    line = bed.lines[0]
    high = replace(line, points=(line.points[0], replace(line.points[1], drop_m=-0.3)))
    site = replace(site, zones=(site.zones[0], replace(bed, lines=(high,))))
    levels = zone_levels(garden_model(site), "bed")
    network = zone_network(site, site.zones[1])
    full = solve(network, float(levels.levels_m[-1])).flow_lph
    weak = solve(network, float(levels.emitter_weakens_m[1])).flow_lph
    assert weak[1] == pytest.approx(WEAK_SHARE * full[1], rel=0.01)
    assert levels.emitter_stops_m[1] == pytest.approx(0.3, abs=0.01)
    assert levels.emitter_stops_m[0] == 0.0


def lateral_site(spacing_m: float, k_lph: float, bore_m: float) -> Site:
    points = tuple(
        Point(spacing_m * (i + 1), 1.0, (Emitter(f"e{i}", "inline", "tomato", k_lph, 0.5),)) for i in range(4)
    )
    base = small_garden()
    line = Line("lat", None, None, bore_m, spacing_m * 4, points, inlet_loss_k=0.0)
    zone = replace(base.zones[0], lines=(line,))
    return replace(base, zones=(zone,))


@pytest.mark.parametrize("bore_m", [0.004, 0.006])
def test_the_longest_lateral_agrees_with_christiansen(bore_m: float) -> None:
    # Christiansen (1942): head lost in a lateral of N even outlets is F times that of the whole flow carried
    # to its end; for laminar flow (m = 1) F = 1/2 + 1/(2N). Hagen-Poiseuille: h = 128 nu L Q / (pi g D^4).
    # With x = 0.5 a flow spread of 10 % is a head spread of 1 - 0.9^2 = 19 %. nu at 20 degC 1.0034e-6 m2/s
    # (IAPWS).
    spacing, k = 0.3, 0.1
    site = lateral_site(spacing, k, bore_m)
    zone = site.zones[0]
    found = longest_lateral(site, zone, zone.lines[0], 0.5)
    assert found is not None and not found.more
    head, nu, g = 1.5, 1.0034e-6, 9.80665

    def lost(count: int) -> float:
        mean = k * head**0.5 * 0.935 / 3.6e6  # the mean flow lies about two thirds down the 10 %
        whole = 128 * nu * (count * spacing) * (count * mean) / (np.pi * g * bore_m**4)
        return float(whole * (0.5 + 0.5 / count))

    closed = max(n for n in range(2, 512) if lost(n) <= 0.19 * head)
    total_re = 4 * closed * k * head**0.5 / 3.6e6 / (np.pi * bore_m * nu)
    assert total_re < 2000 and found.emitters == pytest.approx(closed, rel=0.06)
    assert found.length_m == pytest.approx(found.emitters * spacing)


@pytest.mark.parametrize(
    ("spacing_m", "k_lph", "slope"), [(0.3, 4.0, 0.0), (0.5, 2.0, 0.02), (1.0, 9.0, -0.01)]
)
def test_the_longest_lateral_is_where_laterals_laid_one_by_one_begin_to_break_it(
    spacing_m: float, k_lph: float, slope: float
) -> None:
    base = small_garden()

    def laid(count: int) -> Site:
        points = tuple(
            Point(
                (i + 1) * spacing_m,
                1.0 + i * spacing_m * slope,
                (Emitter(f"e{i}", "bubbler", "tomato", k_lph, 0.5),),
            )
            for i in range(count)
        )
        line = Line("l", None, None, 0.0136, count * spacing_m, points)
        return replace(base, zones=(replace(base.zones[0], lines=(line,)),))

    def spread(count: int) -> float:
        site = laid(count)
        flow = solve(zone_network(site, site.zones[0]), 0.5).flow_lph
        return float(1.0 - flow.min() / flow.max())

    site = laid(6)
    found = longest_lateral(site, site.zones[0], site.zones[0].lines[0], 0.5)
    assert found is not None and 2 < found.emitters < 512 and not found.more
    assert spread(found.emitters) <= 0.10 < spread(found.emitters + 1)


def hump(height_m: float) -> Site:
    base = small_garden()
    far = Emitter("far", "bubbler", "tomato", 12.0, 0.5)
    points = (Point(0.0, 0.3), Point(2.0, -height_m), Point(4.0, 0.3, (far,)))
    return replace(base, zones=(replace(base.zones[0], lines=(Line("l", None, None, 0.0136, 5.0, points),)),))


def test_a_hump_above_the_water_lets_none_pass_and_is_named() -> None:
    site = hump(0.6)
    network = zone_network(site, site.zones[0])
    (place,) = air_places(network, solve(network, 0.4))
    assert place.line == "l" and place.at_m == pytest.approx(2.0, abs=0.001)
    assert place.over_water_m == pytest.approx(0.2, abs=1e-6) and place.blocks
    assert place.cut_off == ("tomato",)
    assert any("none passes" in f and "Tomato" in f for f in survey(site, 0.4).findings)
    assert air_places(network, solve(network, 0.8)) == ()


def test_a_value_between_two_bands_takes_the_lower_name() -> None:
    # Bands of DU and EU of ASABE EP458 (from memory): excellent 94-100, good 81-87, fair 68-75, poor 56-62 %.
    named = [uniformity_class(x) for x in (0.95, 0.90, 0.84, 0.78, 0.70, 0.65, 0.60, 0.40)]
    assert named == ["excellent", "good", "good", "fair", "fair", "poor", "poor", "unacceptable"]


def test_cold_water_flows_slower_through_thin_lines() -> None:
    site = lateral_site(2.0, 3.0, 0.004)
    zone = survey(site, 0.5).zones[0]
    assert zone.cold_share is not None and zone.warm_share is not None
    assert zone.cold_share < 0.99 < 1.01 < zone.warm_share


@pytest.mark.parametrize("power", [0.4, 1.0, 2.75])
@pytest.mark.parametrize("at_two", [1e-7, 1e-4, 0.02, 0.0999, 0.11])
@pytest.mark.parametrize("floor", [0.0, 0.05])
def test_the_last_count_that_keeps_is_found_whatever_the_spread_does(
    power: float, at_two: float, floor: float
) -> None:
    def spread(count: int) -> float:
        return min(1.0, max(floor, at_two * (count / 2) ** power))

    asked: list[Sequence[int]] = []

    def spreads(counts: Sequence[int]) -> list[float]:
        asked.append(counts)
        return [spread(n) for n in counts]

    keeps = [n for n in range(2, EMITTERS_MAX + 1) if spread(n) <= 0.1]
    assert _most(spreads, 0.1) == max(keeps, default=0)
    assert len(asked) <= 8
