"""A run from a falling tank: minutes to litres and back, for every emitter, without stepping in time.

While the zone is open the stored volume falls at the zone's flow, so time and each emitter's
litres are integrals
over the stored volume, ``dt = dV / Q`` and ``dV_i = q_i / Q dV``. They are tabulated once; a run is two looks
into the table. Only with water running in meanwhile (rain, a tap) is the level followed in time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.curve import ZoneCurve

Array = NDArray[np.float64]

# The table ends where the zone gives less than this share of its flow at the top: emptying on takes days.
FLOW_SHARE_MIN = 1e-4
# Panels grow by this factor from the level at which the zone stops, where 1/Q is steep.
_GRADED_FIRST_M = 1e-4
_GRADED_FACTOR = 1.6
# Panels also end where an emitter falls dry, and this share of a gap of the curve above it: the flow starts
# there like a root, which no polynomial follows across (measured here on 100 emitters of which 93 fall dry:
# the worst litres of a run miss by 0.6 mL instead of 12 mL, the level left by 3e-6 m instead of 12e-6 m).
_DRY_GAP_SHARES = (0.0, 0.125)
# Gauss-Legendre points per panel (Abramowitz & Stegun 25.4.30).
_GAUSS_X, _GAUSS_W = (np.asarray(a) for a in np.polynomial.legendre.leggauss(3))
# Runge-Kutta steps of a run with inflow.
_INFLOW_STEPS = 64
_BISECTIONS = 50
# Guesses of where the outlet's barrel stands, and how little the last may move it (a nanometre: no flow feels
# it). Joints that are worth building settle in five.
_OUTLET_GUESSES, _OUTLET_MOVES_M = 30, 1e-9
# Within one panel: 1e-7 of its width.
_PANEL_BISECTIONS = 24
SECONDS_PER_H = 3600.0


@dataclass(frozen=True, slots=True)
class Drawn:
    """What one run takes: ``litres`` of each emitter (emitters,), their sum, and the level it leaves."""

    level_end_m: float
    volume_l: float
    litres: Array
    run_s: float


class Drawdown:
    """Runs of one zone from one store.

    ``stage_levels_m`` (rising) and ``stage_volumes_l`` give the litres above the outlet at a level;
    ``outlet_offset_m`` is how far the outlet's level stands below the mean while a flow (L/h) is drawn
    through the links between barrels. Levels above the table count as its top (the barrels overflow).
    """

    def __init__(
        self,
        curve: ZoneCurve,
        stage_levels_m: Array,
        stage_volumes_l: Array,
        *,
        outlet_offset_m: Callable[[float], float] | None = None,
    ) -> None:
        levels = np.asarray(stage_levels_m, dtype=np.float64)
        volumes = np.asarray(stage_volumes_l, dtype=np.float64)
        if len(levels) < 2 or (np.diff(levels) <= 0).any() or (np.diff(volumes) <= 0).any():
            raise ValueError("a stage table needs two or more rising levels with rising volumes")
        self.curve = curve
        self._stage = levels, volumes
        self._offset = outlet_offset_m
        self._plants = tuple(dict.fromkeys(p for p in curve.emitter_plant if p is not None))
        self._of_plant = np.array([[p == q for q in self._plants] for p in curve.emitter_plant], dtype=float)
        self._tabulate()

    # -- asking ------------------------------------------------------------------------------------------

    def run(
        self, level_m: float, run_s: float, *, inflow_lph: float = 0.0, flow_factor: float = 1.0
    ) -> Drawn:
        """Keep the zone open for ``run_s``. ``flow_factor`` scales every emitter's flow (clogging)."""
        _check(run_s=run_s, inflow_lph=inflow_lph, flow_factor=flow_factor)
        start_l = self._volume(level_m)
        if inflow_lph > 0.0:
            return self._run_with_inflow(start_l, run_s, inflow_lph, flow_factor)
        if start_l <= self._bottom_l or run_s == 0.0 or flow_factor == 0.0:
            return self._nothing(level_m, run_s)
        start = self._cubic(start_l)
        left_s = float(start[0]) - run_s * flow_factor
        end_l = self._volume_at_time(left_s)
        return self._between(start_l, end_l, start - self._cubic(end_l), run_s)

    def run_to_level(
        self, level_m: float, level_end_m: float, *, inflow_lph: float = 0.0, flow_factor: float = 1.0
    ) -> Drawn:
        """Keep the zone open until the level has fallen to ``level_end_m``; nothing when it is there already.

        ValueError when it never gets there: the zone stops above it, or the inflow keeps up with it.
        """
        _check(run_s=0.0, inflow_lph=inflow_lph, flow_factor=flow_factor)
        start_l, end_l = self._volume(level_m), self._volume(level_end_m)
        if end_l >= start_l:
            return self._nothing(level_m, 0.0)
        slowest = self._flow_lph(end_l) * flow_factor
        if end_l < self._bottom_l or slowest <= inflow_lph:
            raise ValueError(
                f"the level never falls to {level_end_m:.3f} m: the zone gives {slowest:.3g} L/h there "
                f"and {inflow_lph:.3g} L/h run in"
            )
        if inflow_lph > 0.0:
            run_s = self._time_with_inflow(start_l, end_l, inflow_lph, flow_factor)
            return self._run_with_inflow(start_l, run_s, inflow_lph, flow_factor)
        taken = self._cubic(start_l) - self._cubic(end_l)
        return self._between(start_l, end_l, taken, float(taken[0]) / flow_factor)

    def run_for_volume(
        self, level_m: float, volume_l: float, *, inflow_lph: float = 0.0, flow_factor: float = 1.0
    ) -> Drawn:
        """Keep the zone open until it has given ``volume_l``. ValueError when the store cannot give it."""
        _check(run_s=volume_l, inflow_lph=inflow_lph, flow_factor=flow_factor)
        if volume_l == 0.0:
            return self._nothing(level_m, 0.0)
        start_l = self._volume(level_m)
        if inflow_lph == 0.0:
            if start_l - volume_l < self._bottom_l or flow_factor == 0.0:
                raise ValueError(
                    f"{volume_l:.3g} L cannot be drawn from {level_m:.3f} m: "
                    f"{max(start_l - self._bottom_l, 0.0):.3g} L flow by themselves"
                )
            taken = self._cubic(start_l) - self._cubic(start_l - volume_l)
            return self._between(start_l, start_l - volume_l, taken, float(taken[0]) / flow_factor)
        high = self._long_enough(start_l, volume_l, inflow_lph, flow_factor)
        low = 0.0
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            if self._run_with_inflow(start_l, middle, inflow_lph, flow_factor).volume_l < volume_l:
                low = middle
            else:
                high = middle
        return self._run_with_inflow(start_l, high, inflow_lph, flow_factor)

    def balanced_run(
        self,
        level_m: float,
        targets_l: Mapping[str, float],
        *,
        flow_factor: float = 1.0,
        max_run_s: float,
        level_floor_m: float,
    ) -> Drawn:
        """The run whose worst relative error over the plants is least.

        With r = litres / target of a plant, all r rise with the time, so max |r - 1| is least
        where the largest
        and the smallest r add up to 2. Targets of 0 do not count; no target, no run. Ends sooner at
        ``max_run_s`` or ``level_floor_m``. KeyError for a plant that the zone does not feed.
        """
        _check(run_s=max_run_s, inflow_lph=0.0, flow_factor=flow_factor)
        start_l = self._volume(level_m)
        lowest_l = max(self._bottom_l, self._volume(level_floor_m))
        wanted = {p: v for p, v in targets_l.items() if v > 0.0}
        unknown = sorted(set(wanted) - set(self._plants))
        if unknown:
            raise KeyError(f"the zone feeds no plant {', '.join(unknown)}")
        if not wanted or start_l <= lowest_l or flow_factor == 0.0:
            return self._nothing(level_m, 0.0)
        start = self._cubic(start_l)
        lowest_l = max(lowest_l, self._volume_at_time(float(start[0]) - max_run_s * flow_factor))
        end_l = self._balanced_volume(start_l, lowest_l, wanted)
        taken = start - self._cubic(end_l)
        return self._between(start_l, end_l, taken, float(taken[0]) / flow_factor)

    def plant_litres(self, drawn: Drawn) -> dict[str, float]:
        """Litres of each plant: the sum over its emitters."""
        return dict(zip(self._plants, (drawn.litres @ self._of_plant).tolist(), strict=True))

    # -- the table ---------------------------------------------------------------------------------------

    def _tabulate(self) -> None:
        """Time (s) and litres of each emitter from the bottom of the table up to each knot of volume."""
        levels, volumes = self._stage
        knots = self._knots()
        self._knots_l = np.interp(knots, levels, volumes)
        self._bottom_l = float(self._knots_l[0]) if len(knots) > 1 else float("inf")
        if len(knots) < 2:
            return
        half = 0.5 * np.diff(self._knots_l)[:, None]
        inner = self._knots_l[:-1, None] + half * (1.0 + _GAUSS_X)
        rates = self._rates(inner.reshape(-1)).reshape(*inner.shape, -1)
        weight = half * _GAUSS_W
        self._gauss_l, self._gauss_weight_l = inner, weight
        self._gauss_lph = SECONDS_PER_H / rates[:, :, 0]
        panels = (weight[:, :, None] * rates).sum(axis=1)
        self._sums = np.concatenate([np.zeros((1, panels.shape[1])), np.cumsum(panels, axis=0)])
        self._slopes = self._rates(self._knots_l)
        self._keep_cubics()
        order = np.concatenate([self._knots_l, inner.reshape(-1)])
        flows = np.concatenate([SECONDS_PER_H / self._slopes[:, 0], self._gauss_lph.reshape(-1)])
        rising = np.argsort(order)
        self._table_l, self._table_lph = order[rising], flows[rising]

    def _keep_cubics(self) -> None:
        """The cubic Hermite of every panel, by powers of the share of its width; places as plain numbers, in
        which one is found several times quicker than in an array."""
        width = np.diff(self._knots_l)[:, None]
        rise = np.diff(self._sums, axis=0)
        m0, m1 = self._slopes[:-1] * width, self._slopes[1:] * width
        self._powers = m0, 3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise
        self._places_l: list[float] = self._knots_l.tolist()
        self._times_s: list[float] = self._sums[:, 0].tolist()

    def _knots(self) -> Array:
        """Rising levels that bound the panels: those of both tables, and a graded few above the bottom."""
        levels, _ = self._stage
        low, high = max(float(levels[0]), 0.0), float(levels[-1])
        least = self.curve.total_lph(self._outlet_level(np.array([high]))[0]) * FLOW_SHARE_MIN
        if least <= 0.0 or low >= high:
            return np.zeros(0)
        if self._total_at(low) < least:
            a, b = low, high
            for _ in range(_BISECTIONS):
                middle = 0.5 * (a + b)
                a, b = (middle, b) if self._total_at(middle) < least else (a, middle)
            low = b
        count = int(np.log((high - low) / _GRADED_FIRST_M + 1.0) / np.log(_GRADED_FACTOR)) + 1
        gap = float(np.diff(self.curve.levels_m).max())
        graded = _GRADED_FIRST_M * _GRADED_FACTOR ** np.arange(count)
        dry = (
            self._mean_levels(self.curve.dry_out_levels_m())[:, None] + gap * np.array(_DRY_GAP_SHARES)
        ).ravel()
        places = np.concatenate([levels, self.curve.levels_m, dry, low + graded[graded < gap], [low, high]])
        inside = np.unique(places[(places >= low) & (places <= high)])
        keep = np.concatenate([[True], np.diff(inside) > 1e-7])
        return np.asarray(inside[keep])

    def _total_at(self, level_m: float) -> float:
        return self.curve.total_lph(float(self._outlet_level(np.array([level_m]))[0]))

    def _outlet_level(self, mean_levels_m: Array) -> Array:
        """Level at the outlet for mean levels, when the links between the barrels lose head."""
        if self._offset is None:
            return mean_levels_m
        outlet, moved_before, share = mean_levels_m.copy(), np.inf, 1.0
        for _ in range(_OUTLET_GUESSES):
            lost = [self._offset(float(q)) for q in self.curve.flows_at_lph(outlet).sum(axis=1)]
            step = np.maximum(mean_levels_m - np.array(lost), 0.0) - outlet
            moved = float(np.abs(step).max(initial=0.0))
            # A fall of the outlet lowers the flow: where guesses swing, the mean of two settles.
            share = 0.5 if moved > 0.5 * moved_before else share
            outlet, moved_before = outlet + share * step, moved
            if moved < _OUTLET_MOVES_M:
                break
        return np.asarray(outlet)

    def _mean_levels(self, outlet_levels_m: Array) -> Array:
        """Mean levels that leave the outlet at the given ones."""
        if self._offset is None or not len(outlet_levels_m):
            return outlet_levels_m
        flows = self.curve.flows_at_lph(outlet_levels_m).sum(axis=1)
        return np.asarray(outlet_levels_m + np.array([self._offset(float(q)) for q in flows]))

    def _flows(self, volumes_l: Array) -> Array:
        levels, volumes = self._stage
        return self.curve.flows_at_lph(self._outlet_level(np.interp(volumes_l, volumes, levels)))

    def _rates(self, volumes_l: Array) -> Array:
        """Per litre drawn: seconds, then each emitter's share. (n,) -> (n, 1 + emitters)"""
        flows = self._flows(volumes_l)
        total = flows.sum(axis=1, keepdims=True)
        return np.concatenate([SECONDS_PER_H / total, flows / total], axis=1)

    def _cubic(self, volume_l: float) -> Array:
        """Seconds and litres of each emitter from the bottom up to a volume (cubic Hermite in the volume)."""
        places, (first, second, third) = self._places_l, self._powers
        i = min(max(bisect_left(places, volume_l) - 1, 0), len(places) - 2)
        u = (volume_l - places[i]) / (places[i + 1] - places[i])
        return np.asarray(self._sums[i] + u * (first[i] + u * (second[i] + u * third[i])))

    def _volume_at_time(self, seconds: float) -> float:
        """Volume from which the bottom is reached in so many seconds (the inverse of ``_cubic``)."""
        if seconds <= 0.0:
            return self._bottom_l
        times, places = self._times_s, self._places_l
        i = min(bisect_left(times, seconds) - 1, len(times) - 2)
        first, second, third = (float(power[i, 0]) for power in self._powers)
        wanted = seconds - times[i]
        low, high = 0.0, 1.0
        for _ in range(_BISECTIONS):
            u = 0.5 * (low + high)
            if u * (first + u * (second + u * third)) < wanted:
                low = u
            else:
                high = u
        return places[i] + 0.5 * (low + high) * (places[i + 1] - places[i])

    # -- pieces ------------------------------------------------------------------------------------------

    def _volume(self, level_m: float) -> float:
        levels, volumes = self._stage
        return float(np.interp(level_m, levels, volumes))

    def _level(self, volume_l: float) -> float:
        levels, volumes = self._stage
        return float(np.interp(volume_l, volumes, levels))

    def _flow_lph(self, volume_l: float) -> float:
        return float(self._flows(np.array([volume_l])).sum())

    def _nothing(self, level_m: float, run_s: float) -> Drawn:
        return Drawn(level_m, 0.0, np.zeros(len(self.curve.emitter_ids)), run_s)

    def _between(self, start_l: float, end_l: float, taken: Array, run_s: float) -> Drawn:
        """``taken``: what ``_cubic`` differs by from start to end."""
        litres = np.maximum(taken[1:], 0.0)
        drawn_l = max(start_l - end_l, 0.0)  # a run of no time may round to less than nothing
        # The cubic may undershoot by a hair where an emitter falls dry: what was cut off goes to the others.
        total_l = float(np.add.reduce(litres))
        if total_l > 0.0:
            litres *= drawn_l / total_l
        return Drawn(self._level(end_l), drawn_l, litres, run_s)

    def _balanced_volume(self, start_l: float, lowest_l: float, wanted: Mapping[str, float]) -> float:
        columns = self._of_plant[:, [self._plants.index(p) for p in wanted]] / np.array(list(wanted.values()))
        start = self._cubic(start_l)[1:] @ columns

        def short(volume_l: float) -> bool:
            ratio = start - self._cubic(volume_l)[1:] @ columns
            return bool(ratio.max() + ratio.min() < 2.0)

        if short(lowest_l):
            return lowest_l
        ratios = start - self._sums[:, 1:] @ columns
        few = ratios.max(axis=1) + ratios.min(axis=1) < 2.0
        low = max([lowest_l, *self._knots_l[~few].tolist()])
        high = min([start_l, *self._knots_l[few].tolist()])
        for _ in range(_PANEL_BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if short(middle) else (middle, high)
        return float(0.5 * (low + high))

    # -- water running in --------------------------------------------------------------------------------

    def _run_with_inflow(self, start_l: float, run_s: float, inflow_lph: float, factor: float) -> Drawn:
        """Follow the volume in time (classical Runge-Kutta); the litres by Simpson's rule on its steps."""
        top_l, run_h = float(self._stage[1][-1]), run_s / SECONDS_PER_H
        step = run_h / _INFLOW_STEPS
        still = self._bottom_l == float("inf")

        def rate(volume: float) -> float:
            if still or volume <= self._bottom_l:
                return inflow_lph
            return inflow_lph - factor * float(np.interp(volume, self._table_l, self._table_lph))

        path = [min(start_l, top_l)]
        for _ in range(_INFLOW_STEPS):
            v = path[-1]
            a = rate(v)
            b = rate(v + 0.5 * step * a)
            c = rate(v + 0.5 * step * b)
            d = rate(v + step * c)
            path.append(min(v + step / 6.0 * (a + 2.0 * b + 2.0 * c + d), top_l))
        weight = np.full(_INFLOW_STEPS + 1, 2.0)
        weight[1::2], weight[[0, -1]] = 4.0, 1.0
        flows = self._flows(np.array(path))
        flows[np.array(path) < self._bottom_l] = 0.0
        litres = (weight * step / 3.0) @ flows * factor
        return Drawn(self._level(path[-1]), float(litres.sum()), litres, run_s)

    def _time_with_inflow(self, start_l: float, end_l: float, inflow_lph: float, factor: float) -> float:
        """Seconds to fall from one volume to another while less runs in than out, by Gauss panels."""
        inner = self._knots_l[(self._knots_l > end_l) & (self._knots_l < start_l)]
        knots = np.concatenate([[end_l], inner, [start_l]])
        half = 0.5 * np.diff(knots)[:, None]
        places = (knots[:-1, None] + half * (1.0 + _GAUSS_X)).reshape(-1)
        net = factor * self._flows(places).sum(axis=1) - inflow_lph
        return float(((half * _GAUSS_W).reshape(-1) / net).sum() * SECONDS_PER_H)

    def _long_enough(self, start_l: float, volume_l: float, inflow_lph: float, factor: float) -> float:
        """A run time that surely gives the volume; ValueError when a month does not."""
        run_s = SECONDS_PER_H
        while run_s < _RUN_MAX_S:
            if self._run_with_inflow(start_l, run_s, inflow_lph, factor).volume_l >= volume_l:
                return run_s
            run_s *= 2.0
        raise ValueError(f"{volume_l:.3g} L take longer than a month with {inflow_lph:.3g} L/h running in")


# Nobody waters for longer in one run.
_RUN_MAX_S = 30.0 * 86400.0


def _check(*, run_s: float, inflow_lph: float, flow_factor: float) -> None:
    if run_s < 0.0 or inflow_lph < 0.0 or flow_factor < 0.0:
        raise ValueError("a run needs a time or volume, an inflow and a flow factor that are not negative")
