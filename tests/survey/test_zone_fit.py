"""The fit of a zone: exact derivatives, what it finds without errors, what it says of bad readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Emitter, Joint, Line, Point
from scheduler.survey.zone_fit import Caught, Shot, fit_zone, respond
from tests.support.gardens import small_garden

N = 6


def ring() -> Network:
    """Six bubblers on a thin ring, so that one takes head from the others."""
    points = tuple(
        Point(2.0 + 1.5 * i, 0.2 + 0.05 * i, (Emitter(f"e{i}", "bubbler", "sage", 12.0, 0.5 + 0.05 * i),))
        for i in range(N)
    )
    line = Line("ring", Joint("main", 2.0), Joint("main", 2.0), 0.0098, 12.0, points)
    main = Line("main", None, None, 0.0098, 2.0, (Point(2.0, 0.1),))
    base = small_garden()
    zone = replace(base.zones[0], lines=(main, line))
    return zone_network(replace(base, zones=(zone,)), zone)


def with_law(network: Network, k: np.ndarray, x: np.ndarray) -> Network:
    return replace(network, k_m3s=k, exponent=x, cache={})


def flows(network: Network, level_m: float) -> np.ndarray:
    return solve(network, level_m).flow_lph


def test_derivatives_are_those_of_small_differences() -> None:
    network, level, step = ring(), 0.6, 1e-5
    (answer,) = respond(network, [level])
    assert answer.flow_lph == pytest.approx(flows(network, level), rel=1e-7)
    for i in range(N):
        nudge = np.eye(N)[i]
        up, down = (
            with_law(network, network.k_m3s * np.exp(s * nudge), network.exponent) for s in (step, -step)
        )
        by_k = (flows(up, level) - flows(down, level)) / (2.0 * step)
        assert answer.by_log_k[:, i] == pytest.approx(by_k, rel=1e-3, abs=1e-4)
        up, down = (with_law(network, network.k_m3s, network.exponent + s * nudge) for s in (step, -step))
        by_x = (flows(up, level) - flows(down, level)) / (2.0 * step)
        assert answer.by_exponent[:, i] == pytest.approx(by_x, rel=1e-3, abs=1e-4)
    by_level = (flows(network, level + step) - flows(network, level - step)) / (2.0 * step)
    assert answer.by_level == pytest.approx(by_level, rel=1e-3, abs=1e-4)


def test_a_dry_emitter_changes_nothing() -> None:
    network = ring()
    high = network.node_elevation_m.copy()
    high[network.emitter_node[0]] = 2.0
    (answer,) = respond(replace(network, node_elevation_m=high, cache={}), [0.6])
    assert answer.flow_lph[0] == 0.0
    assert (answer.by_log_k[0] == 0.0).all() and (answer.by_log_k[:, 0] == 0.0).all()
    assert answer.by_level[0] == 0.0


COLUMNS = np.arange(N)
FLAT = np.zeros(N)


def shots_of(
    true: Network, *, whole: tuple[float, ...], cans: float | None, run_s: float = 600.0
) -> list[Shot]:
    """Litres without any error."""
    found = []
    for level in whole:
        litres = float(flows(true, level).sum()) * run_s / 3600.0
        found.append(Shot(level, 0.006, COLUMNS, FLAT, (Caught(None, litres, run_s, 0.015),)))
    if cans is not None:
        litres = flows(true, cans) * run_s / 3600.0
        caught = tuple(Caught(i, float(v), run_s, 0.015) for i, v in enumerate(litres))
        found.append(Shot(cans, 0.006, COLUMNS, FLAT, caught))
    return found


def test_without_errors_the_true_zone_is_found() -> None:
    network = ring()
    factor = np.array([0.9, 1.1, 0.4, 1.0, 1.05, 0.95])
    true = with_law(network, network.k_m3s * 1.3 * factor, network.exponent + 0.12)
    fit = fit_zone(network, shots_of(true, whole=(0.1, 0.4, 0.8), cans=0.5), [0.5] * N)
    # The priors pull a little: an exponent of sd 0.2 before against one of about 0.02 measured is 1 %.
    assert fit.mean[1] == pytest.approx(0.12, abs=0.003)
    assert np.exp(fit.mean[0] + fit.mean[2:]) == pytest.approx(1.3 * factor, rel=0.01)
    assert fit.misfit is not None and fit.misfit < 0.2
    assert fit.doubtful == ()


def test_one_level_leaves_the_exponent_as_drawn_and_says_how_little_is_known() -> None:
    network = ring()
    true = with_law(network, network.k_m3s * 0.8, network.exponent)
    fit = fit_zone(network, shots_of(true, whole=(), cans=0.5), [0.5] * N)
    assert abs(fit.mean[1]) < 0.02
    assert fit.cov[1, 1] ** 0.5 > 0.15  # as before: 0.2


def test_litres_of_one_draw_that_cannot_be_are_pointed_at() -> None:
    network = ring()
    shots = shots_of(network, whole=(0.1, 0.2, 0.4, 0.6, 0.8), cans=0.5)
    wrong = replace(shots[2].caught[0], volume_l=1.25 * shots[2].caught[0].volume_l)
    fit = fit_zone(network, [*shots[:2], replace(shots[2], caught=(wrong,)), *shots[3:]], [0.5] * N)
    assert fit.doubtful == ((2, 0),)
    assert fit.misfit is not None and fit.misfit > 3.0


def test_a_zone_without_litres_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing was caught"):
        fit_zone(ring(), [], [0.5] * N)
