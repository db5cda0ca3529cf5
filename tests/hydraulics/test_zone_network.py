"""From a described zone to pipes and nodes: joints, rings, drops and where every emitter hangs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.hydraulics.constants import kv_to_k
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.examples import example_site
from scheduler.site.model import Emitter, Feed, Joint, Line, Point, Valve, Zone

SITE = replace(example_site("five-drums"), feed=Feed(3.0, 0.019, 4.0, 1.0))
VALVE = Valve(0, 2.0, 5.0, 5.0)


def dripper(name, coefficient=2.0):
    return Emitter(name, "inline", "plant", coefficient, 0.5)


def points(prefix, places, drop_m=0.3):
    return tuple(Point(at, drop_m, (dripper(f"{prefix}{i}"),)) for i, at in enumerate(places))


def line(name, start=None, end=None, length=10.0, places=(5.0,), bore=0.0136, **more):
    return Line(name, start, end, bore, length, points(name, places), **more)


def zone(*lines):
    return Zone("z", "Zone", VALVE, lines)


def net_of(*lines, **more):
    return zone_network(SITE, zone(*lines), **more)


def degree(net, node):
    return int((net.pipe_from == node).sum() + (net.pipe_to == node).sum())


def test_filter_hose_and_valve_are_one_pipe_before_the_lines():
    net = net_of(line("a"))
    assert net.feed_pipes == 1
    assert net.pipe_length_m[0] == 4.0 and net.pipe_bore_m[0] == 0.019
    assert net.pipe_loss_k[0] == pytest.approx(1.0 + kv_to_k(3.0, 0.019) + kv_to_k(2.0, 0.019))
    assert net.line_volume_l == pytest.approx(1.4527, rel=1e-4)  # pi/4 (13.6 mm)^2 x 10 m, by hand


def test_a_branch_hangs_on_the_place_of_its_joint():
    net = net_of(line("main"), line("side", Joint("main", 5.0)))
    joint = net.emitter_node[net.emitter_ids.index("main0")]  # main's dripper sits at 5 m too
    assert degree(net, joint) == 3
    assert net.pipe_length_m[net.feed_pipes :].sum() == pytest.approx(20.0)


def test_a_joint_between_points_makes_a_node_of_interpolated_drop():
    main = Line("main", None, None, 0.0136, 10.0, (Point(0.0, 0.0), Point(10.0, 1.0)))
    side = Line("side", Joint("main", 2.5), None, 0.0136, 1.0, ())
    net = net_of(main, side, line("tip", Joint("side", 1.0)))
    three = [n for n in range(len(net.node_elevation_m)) if degree(net, n) == 3]
    assert net.node_elevation_m[three] == pytest.approx([-0.25])


def test_an_entrance_loss_stands_at_each_fed_end():
    ring = line("ring", Joint("main", 0.0), Joint("main", 10.0), places=(5.0,), inlet_loss_k=0.7)
    net = net_of(line("main", places=(5.0,), inlet_loss_k=0.0), ring)
    assert sorted(net.pipe_loss_k[net.feed_pipes :].tolist()) == [0.0, 0.0, 0.7, 0.7]


def test_several_emitters_share_a_place_and_keep_their_order():
    place = Point(3.0, 0.2, (dripper("x"), dripper("y")))
    net = net_of(Line("a", None, None, 0.0136, 6.0, (place,)), line("b"))
    assert net.emitter_ids == ("x", "y", "b0")
    assert net.emitter_node[0] == net.emitter_node[1] != net.emitter_node[2]
    np.testing.assert_allclose(net.elevation_m, [-0.2, -0.2, -0.3])


def test_factors_and_shifts_reach_the_emitter_they_name():
    net = net_of(line("a", places=(2.0, 4.0)), coefficient_factor={"a0": 0.8}, exponent_shift={"a1": 0.02})
    np.testing.assert_allclose(net.k_m3s * 3.6e6, [1.6, 2.0])
    np.testing.assert_allclose(net.exponent, [0.5, 0.52])
    np.testing.assert_allclose(net_of(line("a"), coefficient_factor=0.5).k_m3s * 3.6e6, [1.0])


def test_lines_that_only_hang_on_each_other_are_refused():
    with pytest.raises(ValueError, match="none of them reaches the valve"):
        net_of(line("main"), line("a", Joint("b", 0.0)), line("b", Joint("a", 0.0)))
    with pytest.raises(ValueError, match="not in its zone"):
        net_of(line("main"), line("a", Joint("elsewhere", 0.0)))


def test_a_ring_on_level_ground_is_fed_alike_from_both_ends():
    """A ring at the main's end: places at equal distance from the tee see equal heads."""
    ring = line("ring", Joint("main", 10.0), Joint("main", 10.0), 8.0, (1.0, 3.0, 5.0, 7.0))
    flows = solve(net_of(line("main", places=(10.0,)), ring), 1.0)
    by_id = dict(zip(net_of(line("main", places=(10.0,)), ring).emitter_ids, flows.flow_lph, strict=True))
    assert by_id["ring0"] == pytest.approx(by_id["ring3"], rel=1e-9)
    assert by_id["ring1"] == pytest.approx(by_id["ring2"], rel=1e-9)
    assert by_id["ring0"] > by_id["ring1"]


def test_closing_a_line_to_a_ring_raises_its_farthest_emitter():
    places = tuple(np.linspace(0.5, 29.5, 30).tolist())
    dead_end = line("tube", Joint("main", 0.0), None, 30.0, places, bore=0.008)
    ring = replace(dead_end, end=Joint("main", 10.0))
    main = line("main", places=(5.0,))
    open_flow = solve(net_of(main, dead_end), 0.5).flow_lph
    closed_flow = solve(net_of(main, ring), 0.5).flow_lph
    assert closed_flow[30] > 1.01 * open_flow[30]
