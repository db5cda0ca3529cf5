"""Which bubbler to turn and how far, so that the plants of a zone get equal parts of what each wants.

All plants of a zone run equally long, so each plant's flow should stand to its target as every other's. A
round of turns is worked out from the garden's model, corrected to what was measured where cans stood; then
the turns are made, the cans are set out again, and the next round starts from what they say.

A bubbler that is shut down changes its exponent as well: from 0.61 wide open to 1.04 nearly shut were
measured on adjustable emitters; the straight line between the two is this project's choice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.solve import LPH_PER_M3S, solve
from scheduler.site.model import Site

Array = NDArray[np.float64]

# A trim is good when the worst plant is within this part of its share (the aim of this project).
WITHIN = 0.10
# Exponents of an adjustable emitter wide open and nearly shut (published test of regulator emitters at low
# head).
EXPONENT_OPEN, EXPONENT_SHUT = 0.61, 1.04
# One bubbler's setting changes the head of all; this many passes settle it (measured here: below 0.1 %).
PASSES = 12
# ... and they end when nothing changes by more than this part.
SETTLED = 1e-3
# Cans err: turns are still advised while the worst plant is so little inside the aim.
CAN_MARGIN = 0.02
# Turns that change a bubbler's flow by less are not worth the walk (about what a can and a watch can tell).
LEAST_TURN = 0.03
# In one round no bubbler is turned further than by this factor: beyond it the exponent is a guess.
MOST_TURN = 4.0
# The others are turned down for the sake of one that is wide open, but not below this share of what they get
# now.
LEAST_KEPT = 0.5
# Raises of the stand that are tried for a plant which turning cannot help, in metres.
RAISES_M = (0.1, 0.2, 0.3, 0.5, 0.8, 1.2)
# A plant standing within so much of the water's surface is called too high: bubblers hardly run there.
LITTLE_HEAD_M = 0.05


@dataclass(frozen=True, slots=True)
class Turn:
    """One bubbler to turn. ``reading_lph`` is what it should give right after being turned, with the others
    as they then are; ``flow_lph`` what it should give once all are turned. ``factor`` is flow after over
    before at the same head: above 1 it is opened."""

    emitter: str
    plant: str
    factor: float
    now_lph: float
    reading_lph: float
    flow_lph: float

    @property
    def opens(self) -> bool:
        return self.factor > 1.0


@dataclass(frozen=True, slots=True)
class Hopeless:
    """A plant that turning cannot bring to its share, why, and what would. ``raise_m`` is the raise of the
    stand that brings it there with its bubblers as they are; None when none of ``RAISES_M`` does.
    ``add_lph`` is the flow at 1 m of head of one more bubbler that does (None: it stands too high for
    any)."""

    plant: str
    reason: str  # "too high", "wide open", "not adjustable"
    share: float
    raise_m: float | None
    add_lph: float | None


@dataclass(frozen=True, slots=True)
class TrimAdvice:
    """One round. Shares are each plant's flow per litre wanted over that of all plants together; 1 is fair.

    ``turns`` stand in turning order; none when the worst plant is safely ``WITHIN`` its share. ``expected``
    are the shares after the turns; ``hopeless`` are plants that they leave further off.
    """

    zone: str
    level_m: float
    shares: dict[str, float]
    expected: dict[str, float]
    turns: tuple[Turn, ...]
    hopeless: tuple[Hopeless, ...]

    @property
    def worst(self) -> float:
        """Share of the worst served plant now; 1 when there is none."""
        return min(self.shares.values(), default=1.0)

    @property
    def within(self) -> bool:
        return self.worst >= 1.0 - WITHIN


def plant_shares(flows_lph: Mapping[str, float], targets: Mapping[str, float]) -> dict[str, float]:
    """Each plant's flow per unit of its target, over the same of all plants together. Plants without a target
    are left out; nothing flows: zeros."""
    wanted = {p: t for p, t in targets.items() if t > 0.0 and p in flows_lph}
    total = sum(flows_lph[p] for p in wanted)
    if total <= 0.0:
        return dict.fromkeys(wanted, 0.0)
    per_unit = total / sum(wanted.values())
    return {p: flows_lph[p] / (t * per_unit) for p, t in wanted.items()}


def trim_advice(
    site: Site,
    zone_id: str,
    level_m: float,
    targets: Mapping[str, float],
    measured_flows: Mapping[str, float] | None = None,
    *,
    wide_open: Collection[str] = (),
) -> TrimAdvice:
    """The next round of turns for one zone with the water ``level_m`` above the outlet.

    ``targets``: what each plant wants, in any unit (litres a day). ``measured_flows``: L/h by emitter id, at
    this level; the model's flow where absent. ``wide_open``: bubblers that a person found they cannot open
    further. KeyError for an unknown zone; ValueError for a measured flow below nothing.
    """
    measured = dict(measured_flows or {})
    if any(not flow >= 0.0 for flow in measured.values()):
        raise ValueError("a measured flow is not below nothing")
    bench = _Bench.of(site, zone_id, level_m, targets, measured, wide_open)
    now = bench.flows(bench.k)
    shares = bench.shares(now)
    if min(shares.values(), default=1.0) >= 1.0 - WITHIN + CAN_MARGIN:
        return TrimAdvice(zone_id, level_m, shares, shares, (), ())
    factors = bench.factors()
    turns = bench.turns(factors, now)
    expected = bench.shares(bench.flows(bench.k * factors))
    hopeless = _hopeless(bench, factors, expected)
    return TrimAdvice(zone_id, level_m, shares, expected, turns, hopeless)


def turned_exponent(exponent: float, factor: float) -> float:
    """The exponent of a bubbler after its flow at 1 m was changed by ``factor``; kept outside the known
    range."""
    if not EXPONENT_OPEN <= exponent <= EXPONENT_SHUT:
        return exponent
    span = EXPONENT_SHUT - EXPONENT_OPEN
    opening = (EXPONENT_SHUT - exponent) / span
    return EXPONENT_SHUT - span * min(max(opening * factor, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class _Bench:
    """The zone on the bench: its network with k corrected to what was measured, and who may be turned."""

    network: Network
    level_m: float
    targets: Mapping[str, float]
    k: Array  # m3/s at 1 m
    exponent: Array  # as known before any turn
    turnable: NDArray[np.bool_]
    most: Array  # largest factor each may be turned by
    mentioned: NDArray[np.bool_]  # emitters of a plant with a target

    @classmethod
    def of(
        cls,
        site: Site,
        zone_id: str,
        level_m: float,
        targets: Mapping[str, float],
        measured: Mapping[str, float],
        wide_open: Collection[str],
    ) -> _Bench:
        zone = site.zone(zone_id)
        network = zone_network(site, zone)
        mentioned = np.array([p is not None and targets.get(p, 0.0) > 0.0 for p in network.emitter_plant])
        bubbler = np.array([e.form == "bubbler" for e in zone.emitters], dtype=bool)
        open_already = np.array([e in wide_open for e in network.emitter_ids], dtype=bool)
        bench = cls(
            network=network,
            level_m=level_m,
            targets=targets,
            k=network.k_m3s,
            exponent=network.exponent,
            turnable=bubbler & mentioned,
            most=np.where(open_already, 1.0, MOST_TURN),
            mentioned=mentioned,
        )
        return replace(bench, k=bench.corrected(measured))

    def corrected(self, measured: Mapping[str, float]) -> Array:
        """k of every emitter so that the network gives what was measured, for those that have head."""
        want = np.array([measured.get(e, np.nan) for e in self.network.emitter_ids]) / LPH_PER_M3S
        known = ~np.isnan(want)
        k = self.k.copy()
        if not known.any():
            return k
        for _ in range(PASSES):
            head = np.asarray(solve(replace(self.network, k_m3s=k, cache={}), self.level_m).head_m)
            wet = known & (head > self.network.activation_head_m) & (head > 0.0)
            before = k.copy()
            k[wet] = want[wet] / head[wet] ** self.exponent[wet]
            if np.abs(k - before).max() <= SETTLED * before.max():
                break
        return k

    def flows(self, k: Array, exponent: Array | None = None, level_m: float | None = None) -> Array:
        """L/h of each emitter with those coefficients; exponents follow the turn unless given."""
        x = self.turned(k) if exponent is None else exponent
        network = replace(self.network, k_m3s=k, exponent=x, cache={})
        return np.asarray(solve(network, self.level_m if level_m is None else level_m).flow_lph)

    def turned(self, k: Array) -> Array:
        factor = np.where(self.k > 0.0, k / np.where(self.k > 0.0, self.k, 1.0), 1.0)
        return np.array([turned_exponent(x, f) for x, f in zip(self.exponent, factor, strict=True)])

    def by_plant(self, flow_lph: Array) -> dict[str, float]:
        found: dict[str, float] = {}
        for plant, flow in zip(self.network.emitter_plant, flow_lph.tolist(), strict=True):
            if plant is not None:
                found[plant] = found.get(plant, 0.0) + flow
        return found

    def shares(self, flow_lph: Array) -> dict[str, float]:
        return plant_shares(self.by_plant(flow_lph), self.targets)

    def factors(self) -> Array:
        """How far each bubbler is to be turned: the fixed point of share after share, solved again each
        pass."""
        factors = np.ones(len(self.k))
        scale: float | None = None
        for _ in range(PASSES):
            flow = self.flows(self.k * factors)
            plants = self.by_plant(flow)
            wanted = {p: self.targets[p] for p in plants if self.targets.get(p, 0.0) > 0.0}
            scale = self._scale(flow, factors, wanted, scale)
            before = factors.copy()
            for plant, target in wanted.items():
                mine = np.array([p == plant for p in self.network.emitter_plant])
                can = mine & self.turnable & (flow > 0.0)
                if not can.any():
                    continue
                rest = float(flow[mine & ~can].sum())
                have = float(flow[can].sum())
                ratio = max(target * scale - rest, 0.05 * have) / have
                factors[can] = np.clip(factors[can] * ratio, 1.0 / MOST_TURN, self.most[can])
            if np.abs(factors - before).max() <= SETTLED:
                break
        small = np.abs(factors - 1.0) < LEAST_TURN
        return np.where(small, 1.0, factors)

    def _scale(self, flow: Array, factors: Array, wanted: Mapping[str, float], before: float | None) -> float:
        """Litres an hour per unit of target that all are to get: what the whole gives now, or what those can
        get that cannot be opened further, if that is not too little."""
        total = sum(float(flow[np.array([p == q for q in self.network.emitter_plant])].sum()) for p in wanted)
        whole = total / sum(wanted.values())
        limits = [whole if before is None else before]
        for plant, target in wanted.items():
            mine = np.array([p == plant for p in self.network.emitter_plant])
            room = mine & self.turnable & (factors < self.most * 0.999)
            gets = float(flow[mine].sum()) / target
            if not room.any() and gets > LEAST_KEPT * whole:
                limits.append(gets)
        return min(limits)

    def turns(self, factors: Array, now: Array) -> tuple[Turn, ...]:
        """Turning order: those to be closed first, the most changed first, because each one closed gives
        head to the rest; then those to be opened."""
        changed = [i for i in range(len(factors)) if factors[i] != 1.0]
        order = sorted(changed, key=lambda i: (factors[i] > 1.0, -abs(float(np.log(factors[i])))))
        end = self.flows(self.k * factors)
        k = self.k.copy()
        found = []
        for i in order:
            k[i] *= factors[i]
            reading = self.flows(k)[i]
            plant = self.network.emitter_plant[i] or ""
            found.append(
                Turn(
                    self.network.emitter_ids[i],
                    plant,
                    float(factors[i]),
                    float(now[i]),
                    float(reading),
                    float(end[i]),
                )
            )
        return tuple(found)


def _hopeless(bench: _Bench, factors: Array, expected: Mapping[str, float]) -> tuple[Hopeless, ...]:
    found = []
    head = solve(bench.network, bench.level_m).head_m
    for plant, share in expected.items():
        if share >= 1.0 - WITHIN:
            continue
        mine = np.array([p == plant for p in bench.network.emitter_plant])
        if (head[mine] <= LITTLE_HEAD_M).all():
            reason = "too high"
        elif not (mine & bench.turnable).any():
            reason = "not adjustable"
        elif (
            not (mine & bench.turnable & (factors < bench.most * 0.999)).any()
            and (bench.most[mine] <= 1.0).all()
        ):
            reason = "wide open"
        else:
            continue  # one round is not enough for it; the next goes on
        found.append(
            Hopeless(
                plant,
                reason,
                share,
                _raise_m(bench, factors, plant),
                _more_lph(bench, factors, plant, head[mine]),
            )
        )
    return tuple(found)


def _raise_m(bench: _Bench, factors: Array, plant: str) -> float | None:
    """Least of ``RAISES_M`` that brings a plant to its share; the whole garden's head rises with the
    stand."""
    for rise in RAISES_M:
        flow = bench.flows(bench.k * factors, level_m=bench.level_m + rise)
        if bench.shares(flow).get(plant, 0.0) >= 1.0 - WITHIN:
            return rise
    return None


def _more_lph(bench: _Bench, factors: Array, plant: str, head_m: Sequence[float] | Array) -> float | None:
    """Flow at 1 m of one more bubbler that fills what a plant lacks, at the head its best emitter has."""
    best = float(np.max(np.asarray(head_m)))
    if best <= LITTLE_HEAD_M:
        return None
    plants = bench.by_plant(bench.flows(bench.k * factors))
    others = [p for p in plants if p != plant and bench.targets.get(p, 0.0) > 0.0]
    if not others:
        return None
    per_unit = sum(plants[p] for p in others) / sum(bench.targets[p] for p in others)
    lack = per_unit * bench.targets[plant] - plants[plant]
    return lack / best**EXPONENT_OPEN if lack > 0.0 else None


__all__ = ["Hopeless", "TrimAdvice", "Turn", "plant_shares", "trim_advice", "turned_exponent"]
