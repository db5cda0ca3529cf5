"""One zone fitted to everything that was caught from it: each emitter's own part, and what all share.

Unknown are a common factor on all k, a common shift of all exponents, and each emitter's own factor. Litres
of the whole zone and litres of single emitters, at several levels, are fitted together through the zone's
network, so that the head at each emitter is the one it really had. Gauss-Newton on the logarithms of the
litres with a Gaussian prior (Rodgers, Inverse Methods for Atmospheric Sounding, Eq 5.9); the derivatives are
exact, by the implicit function theorem on the network's laws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.newton import Hydraulics
from scheduler.hydraulics.solve import LPH_PER_M3S

Array = NDArray[np.float64]
IntArray = NDArray[np.intp]

# What is known before any test, one sd of a logarithm: catalogue curves miss by tens of per cent at low head.
COMMON_SD = 0.5
# Exponents of bubblers lie from 0.5 to 1.04 (published test of regulator emitters at low head).
EXPONENT_SD = 0.2
# An emitter whose own litres were caught may be anything from clogged to wide open ...
OWN_SD = 0.5
# ... one that was not is taken to be like its neighbours (our choice: bubblers are set by hand).
UNSEEN_SD = 0.15
# A vessel that is always read too large or too small, one sd: it is the same one for all of a day (our
# choice).
VESSEL_SD = 0.01
# What the model cannot place (drops that go astray, exponents that differ), one sd; as for watering runs.
MODEL_SD = 0.005
# A can is not read, nor a watch stopped, more closely than this.
READ_SD_L = 0.003
WATCH_SD_S = 0.5
# The zero of the levels, the same in all tests of a zone, one sd: of nine readings at three levels.
ZERO_SD_M = 0.003
# No emitter's exponent is fitted under this.
EXPONENT_MIN = 0.2
# Near the level at which an emitter stops its litres tell next to nothing: the slope by the level is bounded.
LEVEL_SLOPE_MAX = 50.0
STEPS_MAX = 15
SETTLED = 1e-5
# No step changes a logarithm by more.
STEP_MAX = 1.0
DOUBTFUL_SD = 3.0
# ... and is judged only where the fit leaves it so much of its own variance to miss by.
JUDGED_SHARE = 0.2
# A total or a can in which nothing should have flowed by the model still counts as this (L).
LEAST_L = 1e-4


@dataclass(frozen=True, slots=True)
class Caught:
    """Litres caught in ``run_s``: of one emitter, or of the zone (``emitter`` None). ``sd_share``: one sd of
    this reading alone."""

    emitter: int | None
    volume_l: float
    run_s: float
    sd_share: float


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """What was caught at one level (m at the outlet, at half time). ``columns``: for each emitter which own
    factor it then had, -1 when it was not there. ``risen_m``: elevation then less elevation now."""

    level_m: float
    level_sd_m: float
    columns: IntArray
    risen_m: Array
    caught: tuple[Caught, ...]
    water_c: float = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """Flows (L/h) of all emitters at one level, and their derivatives."""

    flow_lph: Array  # (n,)
    head_m: Array  # (n,) above each emitter
    by_log_k: Array  # (n, n): of row's flow by column's ln k
    by_exponent: Array  # (n, n)
    by_level: Array  # (n,)


def respond(network: Network, levels_m: Sequence[float], water_c: float = 20.0) -> list[Response]:
    """The steady flows of a zone at each level, and how they change with every k, every exponent and the
    level."""
    hydraulics = Hydraulics.of(network, water_c, SI)
    n = hydraulics.n_emitters
    state = hydraulics.settle_cold(np.maximum(np.asarray(levels_m, dtype=np.float64), 0.0))
    slopes = hydraulics.pipes.loss(state.pipe_flow)[1]
    needs, need_slopes = hydraulics.emitters.head(state.flows[:, :n])
    carried = hydraulics.top.flows
    found = []
    for row, flow in enumerate(state.flows[:, :n]):
        need, need_slope = needs[row], need_slopes[row]
        curve = carried.T @ (slopes[row][:, None] * carried)
        curve[np.arange(n), np.arange(n)] += need_slope
        wet = flow > 0.0
        dry = np.flatnonzero(~wet)
        curve[dry, :] = curve[:, dry] = 0.0
        curve[dry, dry] = 1.0
        # need = (q / k)^(1/x): by ln k it is -q d(need)/dq, by x it is -need ln(need) / x.
        right_k = np.where(wet, need_slope * flow, 0.0)
        right_x = np.where(wet, need * np.log(np.maximum(need, 1e-12)) / network.exponent, 0.0)
        inverse: Array = np.asarray(np.linalg.inv(curve)[:n, :n] * LPH_PER_M3S, dtype=np.float64)
        found.append(
            Response(
                flow_lph=flow * LPH_PER_M3S,
                head_m=state.head_m[row],
                by_log_k=np.asarray(inverse * right_k),
                by_exponent=np.asarray(inverse * right_x),
                by_level=inverse @ wet.astype(np.float64),
            )
        )
    return found


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFit:
    """``mean``: ln of the common factor, the shift of exponents, ln of each own factor; with ``cov``.

    ``misfit``: mean square of what was caught against its stated errors for each reading to spare, about 1
    when these are right (None with too few); above 1 the errors were widened by its root (Birge ratio).
    ``doubtful``: (shot, reading) that do not fit the others. ``residuals``: ln of caught less fitted.
    """

    network: Network  # as drawn
    mean: Array
    cov: Array
    misfit: float | None
    doubtful: tuple[tuple[int, int], ...]
    residuals: tuple[float, ...]

    def answers(self, shots: Sequence[Shot]) -> list[Response]:
        """What the fitted zone gave at each of these shots."""
        return _answers(self.network, shots, self.mean)


def flow_sd_share(answer: Response, columns: IntArray, cov: Array) -> float:
    """One sd of a zone's flow as a share, from that of the parameters; emitters with column -1 count as known
    (their doubt is another matter). 0 where nothing flows."""
    total = float(answer.flow_lph.sum())
    if total <= 0.0:
        return 0.0
    by = _by_parameters(answer, columns, len(cov)).sum(axis=0) / total
    return float(np.sqrt(max(0.0, by @ cov @ by)))


def fit_zone(network: Network, shots: Sequence[Shot], own_sd: Sequence[float]) -> ZoneFit:
    """Fit a zone to what was caught. ``own_sd``: of each own factor, before. ValueError: nothing caught."""
    if not any(shot.caught for shot in shots):
        raise ValueError("nothing was caught from this zone yet")
    prior = np.diag(1.0 / np.concatenate(([COMMON_SD, EXPONENT_SD], own_sd)) ** 2)
    mean: Array = np.zeros(len(prior))
    seen = np.log(np.array([max(c.volume_l, LEAST_L) for s in shots for c in s.caught]))
    for _ in range(STEPS_MAX):
        expected, slopes, error = _expect(network, shots, mean)
        weighed, cov = _posterior(slopes, error, prior)
        step = cov @ (weighed.T @ (seen - expected) - prior @ mean)
        mean = mean + np.clip(step, -STEP_MAX, STEP_MAX)
        if np.abs(step).max() < SETTLED:
            break
    expected, slopes, error = _expect(network, shots, mean)
    weighed, cov = _posterior(slopes, error, prior)
    residuals = seen - expected
    misfit, far = _judge(residuals, slopes, weighed, error, cov)
    if misfit is not None and misfit > 1.0:
        cov = cov * misfit
    places = [(i, j) for i, s in enumerate(shots) for j in range(len(s.caught))]
    doubtful = tuple(place for place, out in zip(places, far, strict=True) if out)
    return ZoneFit(network, mean, cov, misfit, doubtful, tuple(residuals.tolist()))


def _posterior(slopes: Array, error: Array, prior: Array) -> tuple[Array, Array]:
    """The derivatives weighed by the errors, and the covariance of the parameters."""
    weighed: Array = np.asarray(np.linalg.solve(error, slopes), dtype=np.float64)
    return weighed, np.asarray(np.linalg.inv(slopes.T @ weighed + prior), dtype=np.float64)


def _with(network: Network, mean: Array, columns: IntArray, risen_m: Array) -> Network:
    """k and x of the network under these parameters; what hangs together stays the same."""
    there = columns >= 0
    own = np.where(there, mean[2 + np.maximum(columns, 0)], 0.0)
    elevation = network.node_elevation_m
    if risen_m.any():
        elevation = elevation.copy()
        elevation[network.emitter_node] += risen_m
    return replace(
        network,
        k_m3s=np.where(there, network.k_m3s * np.exp(mean[0] + own), 0.0),
        exponent=np.maximum(network.exponent + mean[1], EXPONENT_MIN),
        node_elevation_m=elevation,
    )


def _by_parameters(answer: Response, columns: IntArray, count: int) -> Array:
    """Derivatives of each emitter's flow by the parameters: (n, parameters)."""
    found = np.zeros((len(columns), count))
    there = columns >= 0
    found[:, 0] = answer.by_log_k[:, there].sum(axis=1)
    found[:, 1] = answer.by_exponent[:, there].sum(axis=1)
    for i, column in enumerate(columns):
        if column >= 0:
            found[:, 2 + column] += answer.by_log_k[:, i]
    return found


def _answers(network: Network, shots: Sequence[Shot], mean: Array) -> list[Response]:
    """The response at each shot; shots of one setting are solved together."""
    groups: dict[tuple[bytes, bytes, float], list[int]] = {}
    for number, shot in enumerate(shots):
        groups.setdefault((shot.columns.tobytes(), shot.risen_m.tobytes(), shot.water_c), []).append(number)
    found: dict[int, Response] = {}
    for numbers in groups.values():
        shot = shots[numbers[0]]
        then = _with(network, mean, shot.columns, shot.risen_m)
        answers = respond(then, [shots[i].level_m for i in numbers], shot.water_c)
        found.update(zip(numbers, answers, strict=True))
    return [found[i] for i in range(len(shots))]


def _expect(network: Network, shots: Sequence[Shot], mean: Array) -> tuple[Array, Array, Array]:
    """Logarithms of the litres to be caught, their derivatives, and the covariance of what was caught."""
    expected, slopes, own, by_level, groups = [], [], [], [], []
    for number, (shot, answer) in enumerate(zip(shots, _answers(network, shots, mean), strict=True)):
        by = _by_parameters(answer, shot.columns, len(mean))
        for caught in shot.caught:
            rows = slice(None) if caught.emitter is None else slice(caught.emitter, caught.emitter + 1)
            flow = float(answer.flow_lph[rows].sum())
            bounded = max(flow, LEAST_L * 3600.0 / caught.run_s)
            expected.append(np.log(bounded * caught.run_s / 3600.0))
            slopes.append(by[rows].sum(axis=0) / bounded)
            by_level.append(min(float(answer.by_level[rows].sum()) / bounded, LEVEL_SLOPE_MAX))
            volume = max(caught.volume_l, READ_SD_L)
            own.append(
                caught.sd_share**2
                + MODEL_SD**2
                + (READ_SD_L / volume) ** 2
                + (WATCH_SD_S / caught.run_s) ** 2
            )
            groups.append((number, shot.level_sd_m))
    at_level = np.array(by_level)
    number_of, level_sd = np.array([g for g, _ in groups]), np.array([sd for _, sd in groups])
    together = (number_of[:, None] == number_of[None, :]) * np.outer(level_sd, level_sd) + ZERO_SD_M**2
    error = np.diag(own) + VESSEL_SD**2 + together * np.outer(at_level, at_level)
    return np.array(expected), np.array(slopes), error


def _judge(
    residuals: Array, slopes: Array, weighed: Array, error: Array, cov: Array
) -> tuple[float | None, NDArray[np.bool_]]:
    """Mean square misfit for each reading that is free to miss, and which reading lies far off: the worst one
    only, because it pulls the fit away from good ones."""
    influence = slopes @ cov @ weighed.T
    freedom = len(residuals) - float(np.trace(influence))
    far = np.zeros(len(residuals), dtype=np.bool_)
    if freedom < 0.5:
        return None, far
    square = float(residuals @ np.linalg.solve(error, residuals))
    total = np.diag(error)
    spread = total - np.diag(slopes @ cov @ slopes.T)
    # A reading that alone tells of its emitter fits itself, and cannot be judged.
    judged = np.where(spread > JUDGED_SHARE * total, np.abs(residuals) / np.sqrt(total), 0.0)
    worst = int(np.argmax(judged))
    far[worst] = judged[worst] > 0.0 and abs(residuals[worst]) > DOUBTFUL_SD * math.sqrt(spread[worst])
    return square / freedom, far
