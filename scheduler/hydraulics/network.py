"""A zone as a general network of pipes, joints and emitters; rings of tube are allowed.

Node 0 is the water at the barrel outlet. Elevations are relative to the outlet, negative below it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import kv_to_k
from scheduler.site.model import Emitter, Feed, Joint, Line, Site, Valve, Zone

Array = NDArray[np.float64]
IntArray = NDArray[np.intp]

# Positions on a line that differ by less are one place: a tape measure reads to the millimetre.
SAME_PLACE_M = 0.0005
# A feed without any length still gets this much, so that its friction is not exactly zero.
FEED_LENGTH_MIN_M = 0.01


@dataclass(frozen=True, slots=True)
class Network:
    """Pipes between nodes, and emitters at nodes. Arrays: (nodes,), (pipes,) or (emitters,).

    Pipes below ``feed_pipes`` stand before the valve and stay full between runs. ``line_volume_l`` is the
    water in the others.
    """

    emitter_ids: tuple[str, ...]
    emitter_plant: tuple[str | None, ...]
    k_m3s: Array  # m3/s at 1 m of head
    exponent: Array
    activation_head_m: Array
    emitter_node: IntArray
    node_elevation_m: Array
    pipe_from: IntArray
    pipe_to: IntArray
    pipe_length_m: Array
    pipe_bore_m: Array
    pipe_roughness_m: Array
    pipe_loss_k: Array
    feed_pipes: int = 0
    pipe_line: tuple[str | None, ...] = ()  # the line each pipe is a piece of; None for the feed
    places: tuple[tuple[str, float, int], ...] = ()  # (line, distance from its start in m, node)
    cache: dict[str, object] = field(default_factory=dict, compare=False, repr=False)

    @property
    def elevation_m(self) -> Array:
        """Elevation of each emitter relative to the outlet (m), negative below it."""
        return self.node_elevation_m[self.emitter_node]

    @property
    def pipe_volume_l(self) -> Array:
        """Water in each full pipe (L)."""
        return 1000.0 * math.pi / 4.0 * self.pipe_bore_m**2 * self.pipe_length_m

    @property
    def line_volume_l(self) -> float:
        """Water in the full lines behind the valve (L)."""
        return float(self.pipe_volume_l[self.feed_pipes :].sum())


def zone_network(
    site: Site,
    zone: Zone,
    *,
    coefficient_factor: Mapping[str, float] | float = 1.0,
    exponent_shift: Mapping[str, float] | None = None,
) -> Network:
    """The network of one zone, open alone: feed, valve, lines, branches, rings and emitters.

    ``coefficient_factor`` multiplies each emitter's k (one number, or by emitter id, 1 where absent);
    ``exponent_shift`` is added to its x (by emitter id, 0 where absent). Emitters stand in the order of
    ``zone.emitters``. ValueError when a line hangs on nothing.
    """
    build = _Build()
    valve = build.node(0.0)
    _add_feed(build, site.feed, zone.valve, valve)
    feed_pipes = len(build.pipes)
    places = _lay_lines(build, zone.lines, valve)
    emitters = [
        (emitter, places[line.id, _place(line, point.at_m)])
        for line in zone.lines
        for point in line.points
        for emitter in point.emitters
    ]
    made = _finish(build, emitters, feed_pipes, coefficient_factor, exponent_shift or {})
    named = tuple((line, place * SAME_PLACE_M, node) for (line, place), node in places.items())
    return replace(made, pipe_line=tuple(build.pipe_lines), places=named, cache={})


@dataclass(slots=True)
class _Build:
    elevations: list[float] = field(default_factory=lambda: [0.0])
    pipes: list[tuple[int, int, float, float, float, float]] = field(default_factory=list)
    pipe_lines: list[str | None] = field(default_factory=list)

    def node(self, elevation_m: float) -> int:
        self.elevations.append(elevation_m)
        return len(self.elevations) - 1

    def pipe(
        self,
        start: int,
        end: int,
        length: float,
        bore: float,
        rough: float,
        loss_k: float,
        line: str | None = None,
    ) -> None:
        if start != end:  # a ring without anything on it carries nothing
            self.pipes.append((start, end, length, bore, rough, loss_k))
            self.pipe_lines.append(line)


# The hose and the fittings are smooth plastic: the same common value as for lines.
_FEED_ROUGHNESS_M = 1.5e-6


def _add_feed(build: _Build, feed: Feed, valve: Valve, valve_node: int) -> None:
    """Outlet, filter, hose and valve in series carry the same flow, so they are one pipe."""
    loss_k = feed.loss_k + kv_to_k(valve.kv_m3ph, feed.bore_m)
    if feed.filter_kv_m3ph is not None:
        loss_k += kv_to_k(feed.filter_kv_m3ph, feed.bore_m)
    length = max(feed.length_m, FEED_LENGTH_MIN_M)
    build.pipe(0, valve_node, length, feed.bore_m, _FEED_ROUGHNESS_M, loss_k)


def _place(line: Line, at_m: float) -> int:
    """A position as a whole number of ``SAME_PLACE_M``, so that equal places compare equal."""
    return round(min(max(at_m, 0.0), line.length_m) / SAME_PLACE_M)


def _drop_at(line: Line, at_m: float) -> float | None:
    """Drop of a place on a line, interpolated between its points; the nearest point's outside them."""
    if not line.points:
        return None
    return float(np.interp(at_m, [p.at_m for p in line.points], [p.drop_m for p in line.points]))


def _lay_lines(build: _Build, lines: tuple[Line, ...], valve: int) -> dict[tuple[str, int], int]:
    """Nodes and pipes of all lines; the node of each place on a line."""
    by_id = {line.id: line for line in lines}
    places: dict[tuple[str, int], int] = {}
    breaks = {line.id: {0, _place(line, line.length_m)} for line in lines}
    for line in lines:
        breaks[line.id].update(_place(line, p.at_m) for p in line.points)
        for joint in (line.start, line.end):
            if joint is not None:
                if joint.line not in by_id:
                    raise ValueError(f"line {line.id!r} joins line {joint.line!r}, which is not in its zone")
                breaks[joint.line].add(_place(by_id[joint.line], joint.at_m))
    joined = _joined_ends(lines, by_id)
    for line in lines:
        for place in sorted(breaks[line.id]):
            key = _follow((line.id, place), joined)
            if key is not None and key not in places:
                places[key] = build.node(-_drop_of(key, by_id, joined))
            places[line.id, place] = valve if key is None else places[key]
    for line in lines:
        _lay_pipes(build, line, sorted(breaks[line.id]), places)
    return places


_Key = tuple[str, int]


def _joined_ends(lines: tuple[Line, ...], by_id: Mapping[str, Line]) -> dict[_Key, _Key | None]:
    """Which place each joined line end stands for; None is the valve."""

    def target(joint: Joint) -> _Key:
        return joint.line, _place(by_id[joint.line], joint.at_m)

    joined: dict[_Key, _Key | None] = {}
    for line in lines:
        joined[line.id, 0] = None if line.start is None else target(line.start)
        if line.end is not None:
            joined[line.id, _place(line, line.length_m)] = target(line.end)
    return joined


def _follow(key: _Key, joined: Mapping[_Key, _Key | None]) -> _Key | None:
    """The place that a line end finally stands for; ValueError when line ends only hang on each other."""
    at: _Key | None = key
    for _ in range(len(joined) + 1):
        if at is None or at not in joined:
            return at
        at = joined[at]
    raise ValueError(f"line {key[0]!r} hangs on lines that hang on it: none of them reaches the valve")


def _drop_of(key: _Key, by_id: Mapping[str, Line], joined: Mapping[_Key, _Key | None]) -> float:
    """Drop of a place; a line without points lies as high as the place where it begins, or the outlet."""
    line = by_id[key[0]]
    at: _Key | None = key
    for _ in range(len(by_id) + 1):
        if at is None:
            return 0.0
        line = by_id[at[0]]
        drop = _drop_at(line, at[1] * SAME_PLACE_M)
        if drop is not None:
            return drop
        at = joined.get((line.id, 0))
    return 0.0


def _lay_pipes(build: _Build, line: Line, breaks: list[int], places: Mapping[_Key, int]) -> None:
    """The pieces of a line; its entrance loss stands at each end that is fed."""
    last = len(breaks) - 2
    for i, (a, b) in enumerate(pairwise(breaks)):
        loss_k = line.inlet_loss_k * ((i == 0) + (i == last and line.end is not None))
        length = (b - a) * SAME_PLACE_M
        start, end = places[line.id, a], places[line.id, b]
        build.pipe(start, end, length, line.bore_m, line.roughness_m, loss_k, line.id)


def _finish(
    build: _Build,
    emitters: list[tuple[Emitter, int]],
    feed_pipes: int,
    factor: Mapping[str, float] | float,
    shift: Mapping[str, float],
) -> Network:
    def times(emitter: Emitter) -> float:
        return factor.get(emitter.id, 1.0) if isinstance(factor, Mapping) else factor

    start, end, length, bore, rough, loss_k = zip(*build.pipes, strict=True)
    return Network(
        emitter_ids=tuple(e.id for e, _ in emitters),
        emitter_plant=tuple(e.plant for e, _ in emitters),
        k_m3s=np.array([e.coefficient_lph * times(e) / 3.6e6 for e, _ in emitters], dtype=np.float64),
        exponent=np.array([e.exponent + shift.get(e.id, 0.0) for e, _ in emitters], dtype=np.float64),
        activation_head_m=np.array([e.activation_head_m for e, _ in emitters], dtype=np.float64),
        emitter_node=np.array([n for _, n in emitters], dtype=np.intp),
        node_elevation_m=np.array(build.elevations, dtype=np.float64),
        pipe_from=np.array(start, dtype=np.intp),
        pipe_to=np.array(end, dtype=np.intp),
        pipe_length_m=np.array(length, dtype=np.float64),
        pipe_bore_m=np.array(bore, dtype=np.float64),
        pipe_roughness_m=np.array(rough, dtype=np.float64),
        pipe_loss_k=np.array(loss_k, dtype=np.float64),
        feed_pipes=feed_pipes,
    )
