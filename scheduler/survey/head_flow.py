"""The head-flow test of a zone: k and x of ``q = k h^x``, and how it stands to the zone as drawn.

Weighted least squares in logarithms about the middle of the tested heads. Head is the water's height over the
zone's mean outlet (by the emitters' k). The level falls while a draw runs, so each draw counts at the head
whose flow is the mean flow of the draw. The exponent has a prior about that of the zone as drawn: with one
level, or levels close together, it stays what was drawn, and its interval says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.solve import solve_levels
from scheduler.site.errors import UsageError
from scheduler.site.model import Site, Tank
from scheduler.site.showing import show_flow, show_share
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import StageStorage, stage_storage
from scheduler.survey.intervals import Measured, error_scale
from scheduler.survey.sentences import show_height
from scheduler.survey.tests_done import Draw, HeadFlow

Array = NDArray[np.float64]

# One sd of what a fitter reads: a bucket or cans by weight or scale (1 to 2 %), the bucket itself, a ruler or
# sight tube, a stop-watch at both ends of a draw. Common practice, no source.
VOLUME_SD_SHARE = 0.015
CAN_SD_SHARE = 0.01
LEVEL_SD_M = 0.005
TIME_SD_S = 1.0
# How far the exponent of a zone may be from the drawn one, one sd: adjustable emitters were measured from
# 0.61 wide open to 1.04 nearly shut (a published test of regulator emitters at low head).
EXPONENT_SD = 0.15
# The exponent counts as measured once the readings leave less than this share of that.
EXPONENT_KNOWN_SHARE = 0.5
# Sum of squares for each reading to spare above which they are said not to lie on one curve.
MISFIT_MAX = 6.0
# Just below the logarithm of the largest float.
LN_MOST = 709.0
_PASSES = 4
_STEPS = 24
# Heads to both sides at which the drawn zone's exponent is looked up.
_LOOK_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class FlowPoint:
    """One draw. ``level_m``: of the barrel at the outlet, whose steady flow is the draw's mean flow;
    ``head_m`` the same over the zone's mean outlet. ``drawn_lph``: what the drawn zone gives there;
    ``sd_share``: stated error of the flow, level and time in it; ``residual_share``: measured less fit."""

    level_m: float
    head_m: float
    flow_lph: float
    sd_share: float
    drawn_lph: float
    residual_share: float


@dataclass(frozen=True, slots=True)
class HeadFlowFit:
    """A zone's curve. ``k_lph``: L/h at 1 m of head; ``x``: exponent; both with 95 % intervals.

    ``factor`` and ``shift``: ``measured = drawn * factor * (head / middle_head_m) ** shift``, the zone as
    drawn being solved for each level; ``covariance`` is that of (ln factor, shift). Add ``drop_m`` to a level
    for the head. Tested from ``head_min_m`` to ``head_max_m``, ends of the draws included. ``misfit``: mean
    square of the readings to spare over their stated error; None with none.
    """

    zone: str
    k_lph: Measured
    x: Measured
    x_from: Literal["measured", "drawn"]
    factor: Measured
    shift: Measured
    covariance: tuple[tuple[float, float], tuple[float, float]]
    drop_m: float
    middle_head_m: float
    head_min_m: float
    head_max_m: float
    points: tuple[FlowPoint, ...]
    misfit: float | None
    verdict: str

    def flow_lph(self, level_m: float) -> float:
        """Flow of the power law with the outlet's barrel at a level; 0 without head."""
        head = level_m + self.drop_m
        return self.k_lph.value * head**self.x.value if head > 0.0 else 0.0

    def factor_at(self, level_m: float) -> float:
        """Measured flow over that of the zone as drawn, at a level; the head is held where none is left."""
        return float(self.factor.value * math.exp(self.shift.value * self._along(level_m)))

    def flow_sd_share(self, level_m: float) -> float:
        """One standard error of the flow there as a share, by the fit alone."""
        row = np.array([1.0, self._along(level_m)])
        return float(np.sqrt(row @ np.array(self.covariance) @ row))

    def _along(self, level_m: float) -> float:
        return math.log(max(level_m + self.drop_m, 0.01) / self.middle_head_m)


def head_flow(
    site: Site,
    record: HeadFlow,
    *,
    volume_sd_share: float = VOLUME_SD_SHARE,
    level_sd_m: float = LEVEL_SD_M,
) -> HeadFlowFit:
    """Fit a zone's curve to its draws. ``site`` is the garden as drawn.

    KeyError for an unknown zone; UsageError in one sentence for draws that cannot be.
    """
    zone = site.zone(record.zone)
    network = zone_network(site, zone)
    stage = stage_storage(site.tank)
    drop_m = mean_drop_m(network)
    temperature_c = 20.0 if record.water_c is None else record.water_c
    exponent = 0.5
    for _ in range(_PASSES):
        seen = [
            _seen(site, stage, draw, drop_m, exponent, volume_sd_share, level_sd_m) for draw in record.draws
        ]
        levels = np.array([s[0] for s in seen])
        drawn, drawn_x = _drawn_flows(network, levels, drop_m, temperature_c)
        heads = levels + drop_m
        middle = float(np.exp(np.log(heads).mean()))
        flows, errors = np.array([s[1] for s in seen]), np.array([s[2] for s in seen])
        along = np.log(heads / middle)
        law = _fit(np.log(flows), along, errors, drawn_x)
        exponent = float(law[0][1])
    against = _fit(np.log(flows / drawn), along, errors, 0.0)
    fitted = against[0][0] + against[0][1] * along
    points = tuple(
        FlowPoint(*(float(v) for v in row))
        for row in zip(levels, heads, flows, errors, drawn, np.log(flows / drawn) - fitted, strict=True)
    )
    ends = [h + drop_m for draw in record.draws for h in (draw.level_m, _end_level(stage, draw))]
    return _result(site, record.zone, law, against, points, drop_m, middle, ends)


def mean_drop_m(network: Network) -> float:
    """Drop of the zone's mean outlet below the barrels' outlet, by the emitters' k."""
    weights = network.k_m3s if float(network.k_m3s.sum()) > 0.0 else np.ones(len(network.k_m3s))
    return -float(weights @ network.elevation_m / weights.sum())


def draw_litres(stage: StageStorage, draw: Draw) -> float:
    """Litres of a draw: caught, or else by the fall of the level."""
    if draw.volume_l is not None:
        return draw.volume_l
    assert draw.level_end_m is not None  # checked by the record
    return stage.volume_l(draw.level_m) - stage.volume_l(draw.level_end_m)


def _end_level(stage: StageStorage, draw: Draw) -> float:
    if draw.level_end_m is not None:
        return draw.level_end_m
    return stage.level_m(stage.volume_l(draw.level_m) - draw_litres(stage, draw))


def _seen(
    site: Site,
    stage: StageStorage,
    draw: Draw,
    drop_m: float,
    exponent: float,
    volume_sd: float,
    level_sd: float,
) -> tuple[float, float, float]:
    """Level at the outlet, mean flow (L/h) and its error as a share, of one draw."""
    litres = draw_litres(stage, draw)
    if litres <= 0.0:
        raise UsageError("a draw that gave no water tells no curve: leave it out")
    end_m = _end_level(stage, draw)
    flow = litres / draw.run_s * 3600.0
    level = effective_level(stage, draw.level_m, end_m, drop_m, exponent)
    level -= _link_gap(site.tank, flow, level)
    head = level + drop_m
    if head <= 0.0:
        raise UsageError(
            f"with the level at {show_height(draw.level_m, site.units)} the water stands below the zone's "
            "mean outlet: fill up and draw again"
        )
    own = volume_sd
    if draw.volume_l is None:
        own = 1000.0 * stage.area_m2(level) * level_sd * math.sqrt(2.0) / litres
    return level, flow, math.hypot(own, math.sqrt(2.0) * TIME_SD_S / draw.run_s, exponent * level_sd / head)


def _link_gap(tank: Tank, flow_lph: float, level_m: float) -> float:
    return link_offset_m(tank, flow_lph, max(level_m, 0.0))


def effective_level(
    stage: StageStorage, start_m: float, end_m: float, drop_m: float, exponent: float
) -> float:
    """The level whose flow is the mean flow while the level falls from start to end.

    With q = k h^x the time is the integral of dV / (k h^x), so h^x = V / integral of h^-x dV.
    """
    levels = np.linspace(end_m, start_m, _STEPS + 1)
    steps = np.diff(np.array([stage.volume_l(float(level)) for level in levels]))
    heads = 0.5 * (levels[1:] + levels[:-1]) + drop_m
    total = float(steps.sum())
    if total <= 0.0 or float(heads.min()) <= 0.0 or exponent <= 0.0:
        return 0.5 * (start_m + end_m)
    mean = total / float(steps @ heads**-exponent)
    return float(mean ** (1.0 / exponent)) - drop_m


def _drawn_flows(network: Network, levels: Array, drop_m: float, temperature_c: float) -> tuple[Array, float]:
    """Flow (L/h) of the zone as drawn at each level, and its exponent over these heads."""
    heads = levels + drop_m
    low, high = heads.min() * (1.0 - _LOOK_SHARE), heads.max() * (1.0 + _LOOK_SHARE)
    asked = np.concatenate([levels, [low - drop_m, high - drop_m]])
    table = solve_levels(network, asked, temperature_c=temperature_c)
    flows = table.flow_lph.sum(axis=1)
    if float(flows.min()) <= 0.0:
        raise UsageError("as drawn this zone gives nothing at a level of the test: mend the site file first")
    return flows[:-2], float(np.log(flows[-1] / flows[-2]) / np.log(high / low))


def _fit(y: Array, along: Array, errors: Array, prior: float) -> tuple[Array, Array, float, float]:
    """(value at the middle, slope), its covariance, the t for intervals, and the sum of squares.

    The slope stays at its prior where the readings leave it unknown: half of what scatter says is no slope.
    """
    design = np.column_stack([np.ones_like(along), along])
    weights = errors**-2.0
    precision = design.T @ (weights[:, None] * design)
    precision[1, 1] += EXPONENT_SD**-2.0
    cov = np.linalg.inv(precision)
    free = len(y) - 2
    if math.sqrt(float(cov[1, 1])) < EXPONENT_KNOWN_SHARE * EXPONENT_SD:
        found = cov @ (design.T @ (weights * y) + np.array([0.0, prior * EXPONENT_SD**-2.0]))
    else:
        free = len(y) - 1
        found = np.array([weights @ (y - prior * along) / weights.sum(), prior])
        cov = np.diag([1.0 / float(weights.sum()), EXPONENT_SD**2])
    missed = (y - design @ found) / errors
    square = float(missed @ missed)
    widen, times = error_scale(square, free)
    # Scatter of the readings says nothing of what all of them share: the bucket.
    total: Array = np.array(cov * widen**2 + np.diag([CAN_SD_SHARE**2, 0.0]), dtype=np.float64)
    return np.asarray(found, dtype=np.float64), total, times, square


def _result(
    site: Site,
    zone: str,
    law: tuple[Array, Array, float, float],
    against: tuple[Array, Array, float, float],
    points: tuple[FlowPoint, ...],
    drop_m: float,
    middle: float,
    ends: list[float],
) -> HeadFlowFit:
    found, cov, times, _ = law
    to_one = np.array([1.0, -math.log(middle)])  # from the middle head to 1 m
    ln_k, k_sd = float(to_one @ found), float(np.sqrt(to_one @ cov @ to_one))
    ratio, ratio_cov, ratio_times, square = against
    x_sd = float(np.sqrt(cov[1, 1]))
    fit = HeadFlowFit(
        zone=zone,
        k_lph=_from_log(ln_k, k_sd, times),
        x=Measured.of(float(found[1]), x_sd, times),
        x_from="drawn" if float(ratio[1]) == 0.0 else "measured",  # exactly its prior
        factor=_from_log(float(ratio[0]), float(np.sqrt(ratio_cov[0, 0])), ratio_times),
        shift=Measured.of(float(ratio[1]), float(np.sqrt(ratio_cov[1, 1])), ratio_times),
        covariance=(
            (float(ratio_cov[0, 0]), float(ratio_cov[0, 1])),
            (float(ratio_cov[1, 0]), float(ratio_cov[1, 1])),
        ),
        drop_m=drop_m,
        middle_head_m=middle,
        head_min_m=min(*ends, *(p.head_m for p in points)),
        head_max_m=max(ends),
        points=points,
        misfit=square / (len(points) - 2) if len(points) > 2 else None,
        verdict="",
    )
    return replace(fit, verdict=_verdict(site, fit))


def _from_log(ln_value: float, sd: float, times: float) -> Measured:
    value = math.exp(ln_value)
    # Times far too short to stop by hand tell nothing at all: then the flow may be anything.
    high = math.exp(ln_value + times * sd) if ln_value + times * sd < LN_MOST else math.inf
    return Measured(value, value * sd, value * math.exp(-times * sd), high)


def _verdict(site: Site, fit: HeadFlowFit) -> str:
    units = site.units
    k = fit.k_lph
    words = [
        f"With {show_height(1.0, units)} of head the zone gives {show_flow(k.value, units)} "
        f"({show_flow(k.low, units)} to {show_flow(k.high, units)})."
    ]
    if fit.x_from == "measured":
        words.append(
            f"It goes with head to the power {fit.x.value:.2f} ({fit.x.low:.2f} to {fit.x.high:.2f})."
        )
    else:
        words.append(
            f"The heads tested do not tell how it goes with head; the drawn power {fit.x.value:.2f} is kept: "
            "draw again with the barrels half full and low."
        )
    words.append(_against_words(fit))
    low, high = show_height(fit.head_min_m, units), show_height(fit.head_max_m, units)
    words.append(f"Tested from {low} to {high} of head.")
    if fit.misfit is not None and fit.misfit > MISFIT_MAX:
        worst = max(range(len(fit.points)), key=lambda i: abs(fit.points[i].residual_share))
        words.append(
            f"The draws do not lie on one curve; draw {worst + 1} is "
            f"{show_share(abs(fit.points[worst].residual_share))} off: repeat it."
        )
    return " ".join(words)


def _against_words(fit: HeadFlowFit) -> str:
    if fit.factor.low <= 1.0 <= fit.factor.high:
        return "That is as drawn, within the error of the test."
    off = abs(fit.factor.value - 1.0)
    return f"That is {show_share(off)} {'more' if fit.factor.value > 1.0 else 'less'} than drawn."
