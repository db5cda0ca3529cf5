"""A zone's curve is found from draws at several levels."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import garden_model
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.survey.head_flow import head_flow, mean_drop_m
from scheduler.survey.tests_done import Draw, HeadFlow
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, tzinfo=UTC)


def record(*draws: Draw) -> HeadFlow:
    return HeadFlow(zone="pots", at=AT, who="Ida", draws=draws)


def caught(level_m: float, flow_lph: float, run_s: float = 360.0) -> Draw:
    return Draw(level_m=level_m, run_s=run_s, volume_l=flow_lph * run_s / 3600.0)


def hidden(site: Site, factor: float, shift: float) -> Site:
    """The same garden with other emitters in it than were drawn."""
    zone = site.zones[0]
    line = zone.lines[0]
    points = tuple(
        replace(
            p,
            emitters=tuple(
                replace(e, coefficient_lph=factor * e.coefficient_lph, exponent=e.exponent + shift)
                for e in p.emitters
            ),
        )
        for p in line.points
    )
    return replace(site, zones=(replace(zone, lines=(replace(line, points=points),)), site.zones[1]))


def test_k_and_x_of_a_printed_power_law_are_found() -> None:
    # Worked by hand: q = 20 h^0.6 L/h exactly, at heads of 0.5, 1 and 2 m: 13.195, 20 and 30.314 L/h.
    # The zone's mean outlet is 0.3 m below the outlet. Draws so short that the level stays.
    draws = [caught(h - 0.3, q, 60.0) for h, q in ((0.5, 13.195), (1.0, 20.0), (2.0, 30.314))]
    site = replace(small_garden(), tank=replace(small_garden().tank, outlet_height_m=0.5))
    tall = replace(site.tank, barrels=tuple(replace(b, height_m=2.2) for b in site.tank.barrels))
    fit = head_flow(replace(site, tank=tall), record(*draws))
    assert fit.k_lph.value == pytest.approx(20.0, rel=0.003)
    assert fit.x.value == pytest.approx(0.6, abs=0.004)  # the prior at 0.5 pulls a little
    assert fit.x_from == "measured"
    assert (fit.head_min_m, fit.head_max_m) == (pytest.approx(0.5, abs=0.01), pytest.approx(2.0))


def test_two_levels_give_the_handbooks_two_point_exponent() -> None:
    # x = ln(q1 / q2) / ln(h1 / h2), the formula for an emitter tested at two heads (Keller & Karmeli 1974,
    # from memory). Worked by hand: 16 and 25 L/h at 0.4 and 1.0 m: 0.4463 / 0.9163 = 0.4871.
    fit = head_flow(small_garden(), record(caught(0.1, 16.0, 60.0), caught(0.7, 25.0, 60.0)))
    assert fit.x.value == pytest.approx(0.4871, abs=0.004)


def test_a_weighted_line_in_logs_is_that_of_the_reference_library() -> None:
    # numpy.polyfit with weights 1/sd; the exponent's prior is next to nothing with these heads apart.
    site = small_garden()
    fit = head_flow(site, record(caught(0.15, 15.5), caught(0.45, 20.9), caught(0.78, 25.2)))
    points = fit.points
    slope, zero = np.polyfit(
        np.log([p.head_m for p in points]),
        np.log([p.flow_lph for p in points]),
        1,
        w=[1.0 / p.sd_share for p in points],
    )
    assert fit.x.value == pytest.approx(slope, abs=0.004)
    assert fit.k_lph.value == pytest.approx(math.exp(zero), rel=0.002)


def test_the_fall_of_the_level_during_a_draw_is_allowed_for() -> None:
    site = small_garden()
    model = garden_model(site)
    draws = []
    for level in (0.78, 0.40):
        ran = model.zones["pots"].drawdown.run(level, 4 * 3600.0)  # falls by far more than a real test
        draws.append(Draw(level_m=level, run_s=4 * 3600.0, volume_l=ran.volume_l))
    fit = head_flow(site, record(*draws))
    assert draws[0].volume_l is not None and draws[0].volume_l > 60.0
    assert fit.factor.value == pytest.approx(1.0, abs=0.002)
    assert fit.shift.value == pytest.approx(0.0, abs=0.01)
    assert "as drawn" in fit.verdict


def test_hidden_emitters_are_found_within_their_interval() -> None:
    site = small_garden()
    network = zone_network(site, hidden(site, 0.8, 0.12).zones[0])
    rng = np.random.default_rng(11)
    inside = {"flow": 0, "x": 0}
    trials = 60
    for _ in range(trials):
        draws = []
        for level in (0.1, 0.4, 0.75):
            flow = solve(network, level).total_lph * (1.0 + rng.normal(0.0, 0.015))
            draws.append(caught(level + rng.normal(0.0, 0.005), flow, 120.0))
        fit = head_flow(site, record(*draws))
        truth = solve(network, 0.4).total_lph
        off = abs(math.log(fit.flow_lph(0.4) / truth))
        inside["flow"] += off <= 2.2 * fit.flow_sd_share(0.4)
        inside["x"] += fit.x.low <= 0.62 <= fit.x.high
        assert off < 0.04
    assert inside["flow"] / trials >= 0.9
    assert inside["x"] / trials >= 0.9


def test_factor_and_shift_turn_the_drawn_zone_into_the_measured_one() -> None:
    site = small_garden()
    network = zone_network(site, hidden(site, 0.8, 0.12).zones[0])
    draws = [caught(level, solve(network, level).total_lph, 60.0) for level in (0.1, 0.4, 0.75)]
    fit = head_flow(site, record(*draws))
    for level in (0.1, 0.3, 0.6, 0.8):
        drawn = solve(zone_network(site, site.zones[0]), level).total_lph
        assert drawn * fit.factor_at(level) == pytest.approx(solve(network, level).total_lph, rel=0.005)


def test_one_level_keeps_the_drawn_exponent_and_says_so() -> None:
    site = small_garden()
    fit = head_flow(site, record(caught(0.5, 17.0)))
    assert fit.x_from == "drawn" and fit.shift.value == 0.0
    assert fit.x.high - fit.x.low > 0.5
    assert "half full and low" in fit.verdict and "less than drawn" in fit.verdict
    assert fit.misfit is None


def test_two_levels_next_to_each_other_tell_no_exponent_either() -> None:
    fit = head_flow(small_garden(), record(caught(0.50, 21.0), caught(0.53, 17.0)))
    assert fit.x_from == "drawn" and fit.x.value == pytest.approx(0.5, abs=0.01)


def test_error_grows_away_from_the_tested_heads() -> None:
    fit = head_flow(small_garden(), record(caught(0.4, 20.0), caught(0.7, 24.0)))
    assert fit.flow_sd_share(0.05) > 1.5 * fit.flow_sd_share(0.55)


def test_a_fall_of_the_level_stands_for_a_bucket() -> None:
    site = small_garden()
    stage = garden_model(site).stage
    by_level = Draw(level_m=0.6, level_end_m=0.5, run_s=3600.0)
    litres = stage.volume_l(0.6) - stage.volume_l(0.5)
    by_bucket = Draw(level_m=0.6, level_end_m=0.5, run_s=3600.0, volume_l=litres)
    first, second = (head_flow(site, record(d)) for d in (by_level, by_bucket))
    assert first.points[0].flow_lph == pytest.approx(second.points[0].flow_lph)
    assert first.points[0].sd_share > 3 * second.points[0].sd_share


def test_a_draw_off_the_curve_is_named() -> None:
    draws = [caught(level, 24.0 * (level + 0.3) ** 0.5) for level in (0.1, 0.3, 0.5, 0.7)]
    draws[2] = caught(0.5, 1.3 * 24.0 * 0.8**0.5)
    assert "draw 3" in head_flow(small_garden(), record(*draws)).verdict


def test_water_below_the_outlets_is_refused() -> None:
    site = small_garden()
    zone = site.zones[0]
    line = zone.lines[0]
    high = replace(line, points=tuple(replace(p, drop_m=-0.4) for p in line.points))
    raised = replace(site, zones=(replace(zone, lines=(high,)), site.zones[1]))
    with pytest.raises(UsageError, match="fill up"):
        head_flow(raised, record(caught(0.3, 5.0)))


def test_the_mean_drop_counts_each_emitter_by_what_it_gives() -> None:
    # Worked by hand: 12 and 36 L/h at 0.2 and 0.6 m: (12 * 0.2 + 36 * 0.6) / 48 = 0.5 m.
    site = small_garden()
    zone = site.zones[0]
    line = zone.lines[0]
    points = tuple(
        replace(p, drop_m=drop, emitters=(replace(p.emitters[0], coefficient_lph=k),))
        for p, drop, k in zip(line.points, (0.2, 0.6), (12.0, 36.0), strict=True)
    )
    other = replace(site, zones=(replace(zone, lines=(replace(line, points=points),)), site.zones[1]))
    assert mean_drop_m(zone_network(other, other.zones[0])) == pytest.approx(0.5)


def test_times_too_short_to_tell_anything_leave_the_flow_unknown_upwards() -> None:
    """2 ms, stopped to a second at both ends."""
    draw = Draw(level_m=0.5, run_s=0.002, volume_l=1.0)
    fit = head_flow(small_garden(), record(draw, draw))
    assert fit.k_lph.low < 1e-9 and math.isinf(fit.k_lph.high)
    assert "unknown" in fit.verdict and "inf" not in fit.verdict


def test_heads_of_a_us_garden_are_all_in_inches() -> None:
    """Of two feet and of three: figures of one sentence are compared by eye."""
    site = replace(small_garden(), units="us")
    network = zone_network(site, site.zones[0])
    draws = [caught(level, solve(network, level).total_lph, 120.0) for level in (0.2, 0.75)]
    said = head_flow(site, record(*draws)).verdict
    assert " ft" not in said and said.count(" in of head") == 2
