"""A projected Newton method for the flows of a network that cannot lose its way, at many levels at once.

The flows make the *content* of the network least (Cherry 1951; Collins et al. 1978): the sum over pipes and
emitters of the integral of head over flow, less what the tank gives. It is convex, its variables are the
emitter flows (never negative: no backward flow) and one flow per ring, and continuity holds for any value of
them. Each Newton step solves the small symmetric nodal system of Todini & Pilati (1988) by chains or in a
narrow band, for all levels in one LAPACK call. A step is halved until the slope along it has fallen enough,
and when that does not soon lead there, until the content has fallen.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.banded import dpbsv
from scheduler.hydraulics.constants import Constants
from scheduler.hydraulics.emitters import EmitterLaw
from scheduler.hydraulics.friction import PipeLaw
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.topology import Topology, topology
from scheduler.hydraulics.water import kinematic_viscosity_m2s

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
# A solution's heads obey every law within this: near 1 mm of head it moves a flow by less than 1e-6.
RESIDUAL_MAX_M = 1e-9
# Measured here on 1,500 hard random networks of the tests at 24 levels each: at most 48 steps.
STEPS_MAX = 200
HALVINGS_MAX = 30
# Steps before the content must fall at every one: else one such network in a thousand goes round in circles,
# its emitters shutting and opening in turn (measured here: 36 of those 36,000).
FREE_STEPS = 30
# A step is taken when the slope along it has fallen to this share of its first value (a Wolfe condition).
SLOPE_SHARE_MAX = 0.5
# First guess of the share of its static head that an emitter sees, and the loss up to which it is kept.
FIRST_HEAD_SHARE = 0.9
FIRST_LOSS_SHARE_MAX = 0.3
# More of them cost more than the Newton steps that they save (measured here on 200 hard networks).
FIRST_BISECTIONS = 5
# Before Newton, heads and flows are swept in turn. In a garden, whose emitters hardly feel each other, a
# sweep leaves a fifth to a three-hundredth of the worst head error, one aimed by the sweep before it up to a
# thousandth, and costs a third of a Newton step. They go on while one leaves less than this share; three and
# a Newton step were quicker than two or four (measured here).
SWEEPS_MAX = 3
SWEEP_SHARE_MAX = 0.3
# Junctions are eliminated step by step for all levels at once, which is dear for one level: then a band costs
# less, up to so many of its multiplications (measured here on 300 hard networks: two thirds of the time).
BAND_WORK_MAX = 1e5
# An emitter found shut although it has head starts with the flow of this share of that head.
SEED_HEAD_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Settled:
    """The settled variables of n levels: flows (n, emitters + chords), pipe flows (n, pipes), in m3/s."""

    flows: Array
    pipe_flow: Array
    head_m: Array  # (n, emitters) above each emitter
    converged: Flags
    residual_m: Array


@dataclass(frozen=True, slots=True)
class Asked:
    """Of n levels: the level (n,); the share of each pipe's length that counts, (n, pipes), None for all of
    it; what is shut, (emitters + chords,) for all levels alike or (n, emitters + chords)."""

    levels_m: Array
    length_share: Array | None
    shut: Flags

    def rows(self, rows: NDArray[np.intp]) -> Asked:
        """Some of the levels."""
        share, shut = self.length_share, self.shut
        return Asked(
            self.levels_m[rows],
            share if share is None or len(share) == 1 else share[rows],
            shut if shut.ndim == 1 else shut[rows],
        )


@dataclass(slots=True)
class _Point:
    """Variables with everything that follows from them."""

    v: Array  # flows of emitters and chords
    pipe_flow: Array
    pipe_slope: Array
    need_slope: Array  # of the emitters' inverse law
    gradient: Array  # head that each variable lacks (m)
    path_loss: Array
    dry: Flags  # variables that stay at zero: shut, or emitters without flow and without head

    def rows(self, rows: NDArray[np.intp]) -> _Point:
        """Some of the levels."""
        return _Point(*(getattr(self, f.name)[rows] for f in fields(self)))

    def put(self, rows: NDArray[np.intp], some: _Point) -> None:
        """Put those levels back."""
        for f in fields(self):
            getattr(self, f.name)[rows] = getattr(some, f.name)


@dataclass(frozen=True, slots=True)
class Hydraulics:
    """A network at one temperature, ready to be solved; ``shut`` emitters and chords carry nothing."""

    top: Topology
    pipes: PipeLaw
    emitters: EmitterLaw
    elevation_m: Array  # (emitters,)
    pipe_from: NDArray[np.intp]
    pipe_to: NDArray[np.intp]
    shut: Flags  # (emitters + chords,)

    @classmethod
    def of(cls, network: Network, temperature_c: float, constants: Constants) -> Hydraulics:
        viscosity = constants.viscosity_m2s or kinematic_viscosity_m2s(temperature_c)
        top = topology(network)
        law = EmitterLaw.of(network.k_m3s, network.exponent, network.activation_head_m)
        return cls(
            top=top,
            pipes=PipeLaw.of(
                network.pipe_length_m,
                network.pipe_bore_m,
                network.pipe_roughness_m,
                network.pipe_loss_k,
                viscosity,
                constants,
            ),
            emitters=law,
            elevation_m=network.elevation_m,
            pipe_from=network.pipe_from,
            pipe_to=network.pipe_to,
            shut=np.concatenate([~law.alive, np.zeros(len(top.chords), dtype=np.bool_)]),
        )

    @property
    def n_emitters(self) -> int:
        return len(self.elevation_m)

    def node_heads(self, levels_m: Array, pipe_flow: Array) -> Array:
        """Total head (m above the outlet) at every node for pipe flows (pipes,)."""
        loss, _ = self.pipes.loss(pipe_flow)
        return np.asarray(levels_m - self.top.paths @ loss)

    def first_guess(self, levels_m: Array) -> Array:
        """Emitter flows as if every emitter saw one share of its static head: 0.9, or where the pipes lose
        much the share at which the flow-weighted loss fits."""
        return self._first(Asked(levels_m, None, self.shut)).v

    def _first(self, asked: Asked) -> _Point:
        n, levels_m = self.n_emitters, asked.levels_m
        static = np.maximum(levels_m[:, None] - self.elevation_m, 0.0)
        v = np.zeros((len(levels_m), len(self.shut)))

        def at_share(share: Array) -> tuple[_Point, Array, Array]:
            v[:, :n] = self.emitters.flow(static * share[:, None])
            at = self._evaluate(asked, v)
            flow = at.v[:, :n]
            return at, np.einsum("ij,ij->i", flow, at.path_loss[:, :n]), np.einsum("ij,ij->i", flow, static)

        share = np.full(len(levels_m), FIRST_HEAD_SHARE)
        at, lost, given = at_share(share)
        if (lost > FIRST_LOSS_SHARE_MAX * given).any():
            low, high = np.zeros_like(share), np.ones_like(share)
            for _ in range(FIRST_BISECTIONS):
                share = 0.5 * (low + high)
                at, lost, given = at_share(share)
                too_much = lost > (1.0 - share) * given
                high = np.where(too_much, share, high)
                low = np.where(too_much, low, share)
        return at

    def _swept(self, asked: Asked, at: _Point) -> tuple[_Point, Array]:
        """Give each emitter the flow of the head that the flows of all leave it, as long as this pays;
        with the residual. The second sweep and those after it aim at where two of them point."""
        n, levels_m = self.n_emitters, asked.levels_m
        residual = self._residual(at)
        before: tuple[Array, Array] | None = None
        for _ in range(SWEEPS_MAX):
            given = self.emitters.flow(levels_m[:, None] - self.elevation_m - at.path_loss[:, :n])
            moved = given - at.v[:, :n]
            v = at.v.copy()
            v[:, :n] = given if before is None else _aimed(given, moved, *before)
            new = self._evaluate(asked, v)
            left = self._residual(new)
            worse = left > residual
            if worse.any():
                rows = np.nonzero(worse)[0]
                new.put(rows, at.rows(rows))
                left = np.minimum(left, residual)
            pays = left.max() < SWEEP_SHARE_MAX * residual.max()
            at, residual, before = new, left, (given, moved)
            if not pays or left.max() <= RESIDUAL_MAX_M:
                break
        return at, residual

    def settle_cold(self, levels_m: Array) -> Settled:
        """The steady state at levels (n,), from nothing; only emitters with k = 0 may be shut."""
        asked = Asked(levels_m, None, self.shut)
        return self._settled(asked, *self._swept(asked, self._first(asked)))

    def settle(self, asked: Asked, first: Array) -> Settled:
        """Newton from ``first`` (n, emitters + chords) until every law holds at all levels."""
        at = self._evaluate(asked, first)
        return self._settled(asked, at, self._residual(at))

    def _settled(self, asked: Asked, at: _Point, residual: Array) -> Settled:
        for number in range(STEPS_MAX):
            rows = np.nonzero(residual > RESIDUAL_MAX_M)[0]
            if not len(rows):
                break
            slope_share = SLOPE_SHARE_MAX if number < FREE_STEPS else 0.0
            if len(rows) == len(asked.levels_m):
                at = self._improved(asked, at, slope_share)
                residual = self._residual(at)
            else:
                some = asked.rows(rows)
                better = self._improved(some, at.rows(rows), slope_share)
                at.put(rows, better)
                residual[rows] = self._residual(better)
        n = self.n_emitters
        return Settled(
            flows=at.v,
            pipe_flow=at.pipe_flow,
            head_m=asked.levels_m[:, None] - self.elevation_m - at.path_loss[:, :n],
            converged=residual <= RESIDUAL_MAX_M,
            residual_m=residual,
        )

    def _improved(self, asked: Asked, at: _Point, slope_share: float) -> _Point:
        """One step on."""
        at = self._seed(asked, at, slope_share)
        return self._line_search(asked, at, self._newton_step(at), slope_share)

    def _evaluate(self, asked: Asked, v: Array) -> _Point:
        n = self.n_emitters
        pipe_flow = v @ self.top.flows.T
        loss, slope = self.pipes.loss(pipe_flow, asked.length_share)
        path_loss = loss @ self.top.flows
        need, need_slope = self.emitters.head(v[:, :n])
        gradient = path_loss.copy()
        gradient[:, :n] += need + self.elevation_m - asked.levels_m[:, None]
        dry = np.empty(v.shape, dtype=np.bool_)
        dry[...] = asked.shut
        dry[:, :n] |= (v[:, :n] <= 0.0) & (gradient[:, :n] >= 0.0)
        return _Point(v, pipe_flow, slope, need_slope, gradient, path_loss, dry)

    def _residual(self, at: _Point) -> Array:
        return np.asarray(np.where(at.dry, 0.0, np.abs(at.gradient)).max(axis=1, initial=0.0))

    def _seed(self, asked: Asked, at: _Point, slope_share: float) -> _Point:
        """Give shut emitters that have head a first flow: at zero their law is too flat for Newton."""
        n = self.n_emitters
        lack = at.gradient[:, :n]
        wake = (at.v[:, :n] <= 0.0) & (lack < -RESIDUAL_MAX_M) & self.emitters.alive & ~asked.shut[..., :n]
        if not wake.any():
            return at
        step = np.zeros_like(at.v)
        seeded = self.emitters.flow(self.emitters.start_head_m - SEED_HEAD_SHARE * lack)
        step[:, :n][wake] = seeded[wake]
        if slope_share > 0.0:
            return self._evaluate(asked, at.v + step)
        return self._line_search(asked, at, step, slope_share)

    def _newton_step(self, at: _Point) -> Array:
        """Newton step (n, emitters + chords) of the variables that are not dry.

        Unknown are head changes y at the nodes: each pipe's flow changes by (y_from - y_to - its lack) /
        slope, each emitter's by (y - its lack) / slope, and at each node they balance.
        """
        n, top = self.n_emitters, self.top
        dry = at.dry
        give = 1.0 / at.need_slope
        give[dry[:, :n]] = 0.0
        lack = at.gradient[:, :n]
        carry = np.zeros((len(at.v), at.pipe_slope.shape[1] + 1))
        np.divide(1.0, at.pipe_slope, out=carry[:, :-1])
        right = (give * lack) @ top.at_node
        if len(top.chords):
            closed = carry[:, top.chords] = np.where(dry[:, n:], 0.0, carry[:, top.chords])
            push = closed * at.gradient[:, n:]
            right -= push @ top.pipe_ends[top.chords]
        change = self._nodal(carry, give, right)
        step = np.empty_like(at.v)
        step[:, :n] = give * (change[:, top.emitter_place] - lack)
        if len(top.chords):
            step[:, n:] = -closed * (change @ top.pipe_ends[top.chords].T) - push
        return step

    def _nodal(self, carry: Array, give: Array, right: Array) -> Array:
        """Solve the nodal system of every level, (n, nodes - 1): along the chains, or one level after the
        other in one band. ``carry``: (n, pipes + 1), the last column zero."""
        top = self.top
        diagonal = carry[:, :-1] @ top.at_ends + give @ top.at_node
        n_levels, n_nodes = right.shape
        little = n_levels * n_nodes * top.bandwidth**2 < BAND_WORK_MAX
        if top.chains is not None and not (little and top.chains.n_junctions):
            return top.chains.solve(diagonal, carry, right)
        band = np.zeros((n_levels, n_nodes, top.bandwidth + 1))
        band[:, :, 0] = diagonal
        flat = band.reshape(n_levels, -1)
        for pipes, entry in top.band_entries:
            flat[:, entry] -= carry[:, pipes]
        _, change, info = dpbsv(
            band.reshape(n_levels * n_nodes, -1).T, right.reshape(-1), lower=1, overwrite_ab=1, overwrite_b=1
        )
        if info != 0:  # pragma: no cover - every conductance is positive
            raise ArithmeticError(f"the nodal system of the network is not positive definite (LAPACK {info})")
        return np.asarray(change).reshape(n_levels, n_nodes)

    def _line_search(self, asked: Asked, at: _Point, step: Array, slope_share: float) -> _Point:
        """Go along the step, no flow below zero; halve it at levels where the slope has not fallen enough.

        With a ``slope_share`` of 0 the content falls at every step: it is convex, and what still falls at the
        new point has fallen all the way. For a short step along the projected arc it does (Bertsekas 1982).
        """
        new = self._evaluate(asked, self._bounded(at.v + step))
        share = np.ones(len(asked.levels_m))
        for _ in range(HALVINGS_MAX):
            moved = new.v - at.v
            first = np.abs(np.einsum("ij,ij->i", at.gradient, moved))
            far = np.einsum("ij,ij->i", new.gradient, moved) > slope_share * first
            if far.any():
                far &= self._residual(new) > RESIDUAL_MAX_M
            if not far.any():
                break
            share[far] *= 0.5
            v = self._bounded(at.v + share[:, None] * step)
            new = self._evaluate(asked, v)
        return new

    def _bounded(self, v: Array) -> Array:
        n = self.n_emitters
        np.maximum(v[:, :n], 0.0, out=v[:, :n])
        return v


def _aimed(given: Array, moved: Array, given_before: Array, moved_before: Array) -> Array:
    """The flows at which the last two sweeps, as straight lines, would move no more (Anderson 1965)."""
    turn = moved - moved_before
    size = np.einsum("ij,ij->i", turn, turn)
    share = np.einsum("ij,ij->i", moved, turn) / np.where(size > 0.0, size, 1.0)
    return np.asarray(np.maximum(given - share[:, None] * (given - given_before), 0.0))
