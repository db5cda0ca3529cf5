"""Filling of emptied lines against an integration of our own in fine time steps that shares no code with it.

Level lines, laminar (Re < 2000), so that a piece of pipe loses r a Q with r = 128 nu / (pi g D^4)
(Hagen-Poiseuille). The front is an open end: the velocity head v^2/2g is lost there. Behind the front every
emitter gives k h^x. The tee's head is found by halving, each branch's flow likewise; the fronts move by the
midpoint rule. No published measurements of a filling line were at hand: this checks the numbers, not that air
leaves freely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from scheduler.hydraulics.priming import priming
from tests.support.networks import network

GRAVITY = 9.80665
VISCOSITY_20C_M2S = 1.00340e-6  # IAPWS-97 at 0.1 MPa
MOVE_M = 0.4  # of the fastest front in a step; 0.1 m moves the litres by less than 0.1 %
STEPS_MAX = 2000
# What ten coarse stages cost: measured here 0.7 % of the time, 1.4 % of the litres of all, 6 % of one's.
FILL_TOLERANCE = 0.01
MISSING_TOLERANCE = 0.02
EMITTER_TOLERANCE = 0.07


@dataclass(frozen=True)
class Branch:
    length_m: float
    bore_m: float
    places_m: tuple[float, ...]  # of its emitters, the last one at its end
    k_lph: float
    x: float

    @property
    def area_m2(self):
        return math.pi / 4.0 * self.bore_m**2

    def loss(self, flow_m3s, length_m):
        return 128.0 * VISCOSITY_20C_M2S * length_m * flow_m3s / (math.pi * GRAVITY * self.bore_m**4)

    def upstream(self, front_m, end_value):
        """Head and flow at the tee, and each emitter's flow, for a flow out of the front (m3/s) or, when the
        branch is full, for the head at its end (m)."""
        full = front_m >= self.length_m
        flow = 0.0 if full else end_value
        head = end_value if full else (end_value / self.area_m2) ** 2 / (2.0 * GRAVITY)
        given = np.zeros(len(self.places_m))
        at = min(front_m, self.length_m)
        for i in range(len(self.places_m) - 1, -1, -1):
            place = self.places_m[i]
            if place > front_m:
                continue
            head += self.loss(flow, at - place)
            at = place
            given[i] = self.k_lph / 3.6e6 * max(head, 0.0) ** self.x
            flow += given[i]
        return head + self.loss(flow, at), flow, given

    def under(self, front_m, head_m):
        """Flow into the branch, out of its front and of each emitter, at a head at the tee."""
        full = front_m >= self.length_m
        low, high = 0.0, head_m if full else self.area_m2 * math.sqrt(2.0 * GRAVITY * max(head_m, 0.0))
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.upstream(front_m, middle)[0] > head_m else (middle, high)
        _, flow, given = self.upstream(front_m, low)
        return flow, 0.0 if full else low, given


def state(branches, feed, fronts, head_m):
    """Flow out of every front and every emitter, with the source at ``head_m`` behind the feed pipe."""
    low, high = 0.0, head_m
    for _ in range(30):
        tee = 0.5 * (low + high)
        total = sum(b.under(f, tee)[0] for b, f in zip(branches, fronts, strict=True))
        low, high = (tee, high) if tee + feed.loss(total, feed.length_m) < head_m else (low, tee)
    found = [b.under(f, low) for b, f in zip(branches, fronts, strict=True)]
    return np.array([out for _, out, _ in found]), np.concatenate([given for _, _, given in found])


def filled(branches, feed, head_m):
    """Seconds until all is full, and what each emitter lacks until then against steady flow (L)."""
    ends = [b.length_m for b in branches]
    areas = np.array([b.area_m2 for b in branches])
    steady = state(branches, feed, ends, head_m)[1]
    fronts, seconds = np.full(len(branches), 1e-3), 0.0
    given = np.zeros(len(steady))
    for _ in range(STEPS_MAX):
        if (fronts >= ends).all():
            return seconds, (steady * seconds - given) * 1000.0
        first = state(branches, feed, fronts, head_m)[0] / areas
        step = MOVE_M / float(first.max())
        half = np.where(fronts < ends, np.minimum(fronts + 0.5 * step * first, np.array(ends) - 1e-6), ends)
        out, emitters = state(branches, feed, half, head_m)
        left = (np.array(ends) - fronts)[fronts < ends] / (out / areas)[fronts < ends]
        step = min(step, float(left.min()))  # a step ends where a branch becomes full
        fronts = fronts + step * out / areas
        fronts = np.where(fronts >= np.array(ends) - 1e-9, ends, fronts)
        given += emitters * step
        seconds += step
    raise AssertionError("the lines do not fill")


def as_network(branches, feed):
    elevation, pipes, node, k, x = [0.0, 0.0], [(0, 1, feed.length_m, feed.bore_m, 0.0)], [], [], []
    for b in branches:
        before, at = 1, 0.0
        for place in b.places_m:
            elevation.append(0.0)
            pipes.append((before, len(elevation) - 1, place - at, b.bore_m, 0.0))
            before, at = len(elevation) - 1, place
            node.append(before)
            k.append(b.k_lph)
            x.append(b.x)
    return network(k, x, node, elevation, pipes)


FEED = Branch(3.0, 0.004, (), 0.0, 0.5)  # keeps Re below 1,960 at 0.3 m
ONE = (Branch(18.0, 0.006, tuple(np.linspace(3.0, 18.0, 6).tolist()), 3.0, 0.6),)
TWO = (
    Branch(6.0, 0.006, (2.0, 4.0, 6.0), 3.0, 0.5),
    Branch(15.0, 0.006, (3.0, 6.0, 9.0, 12.0, 15.0), 2.0, 0.8),
)
UNLIKE = (Branch(10.0, 0.004, (5.0, 10.0), 1.0, 0.5), Branch(8.0, 0.008, (4.0, 8.0), 4.0, 0.5))


@pytest.mark.parametrize("head_m", [0.15, 0.3])
@pytest.mark.parametrize("branches", [ONE, TWO, UNLIKE], ids=["one line", "two branches", "unlike bores"])
def test_fronts_fill_as_fine_time_steps_fill(branches, head_m):
    seconds, missing = filled(branches, FEED, head_m)
    primed = priming(as_network(branches, FEED), head_m, 1.0)
    print(f"fill {seconds:.1f} s, ours {primed.fill_s:.1f} s; missing {missing}, ours {primed.missing_l}")
    assert primed.fill_s == pytest.approx(seconds, rel=FILL_TOLERANCE)
    assert primed.missing_l.sum() == pytest.approx(missing.sum(), rel=MISSING_TOLERANCE)
    np.testing.assert_allclose(primed.missing_l, missing, rtol=EMITTER_TOLERANCE)
