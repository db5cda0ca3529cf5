"""Whether zones still give what their accepted curve says: clogging, leaks, lost emitters.

Each run's measured litres over the modelled ones, modelled from the level it began at, is the zone's flow
index: 1 is as accepted. A line through its logarithm (weighted least squares, with a term in the head so that
the index is that of one reference level) tells a slow fall; a break in that line tells a step. Nothing is
changed here: a person looks, mends, tests again and so accepts a new curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import show_flow, show_share
from scheduler.supply.stage import stage_storage
from scheduler.survey.drift_cause import Cause, FlowRow, Suspect, find_cause
from scheduler.survey.head_flow import mean_drop_m
from scheduler.survey.intervals import NORMAL_95, Measured

Array = NDArray[np.float64]

__all__ = ["Cause", "Drift", "Finding", "FlowRow", "Proposal", "ZoneDrift", "drift"]

Finding = Literal["too few runs", "steady", "falling", "rising", "step up", "step down", "came back"]
Action = Literal["clean the filter", "clean the emitters", "walk the line", "look at the valve", "test again"]

# A zone has left its band when it gives so much less than accepted (a choice of this project).
BAND_SHARE = 0.10
# Fewer runs tell no trend.
LEAST_RUNS = 6
# On each side of a step.
STEP_RUNS = 3
# A fall, or a rise, that is smaller is not worth a word.
LEAST_FALL = 0.03
LEAST_STEP = 0.05
# A step must better the fit by so many squared standard errors: 5 sd, as every run is tried as its place.
STEP_SQUARE = 25.0
# The index comes back to within this of 1 after somebody cleaned.
BACK_SHARE = 0.04
# How the index may change with the head, for each e-fold, one sd before anything is seen (our choice).
HEAD_SLOPE_SD = 0.1
# Runs are not modelled better than this, one sd: priming, the water's warmth.
MODEL_SD = 0.01
# A run that is so many sd off loses weight in proportion: somebody took a can (Huber's psi).
GATE_SIGMAS = 3.0
# Foreseen no further than this: a line is no law.
FORESEEN_DAYS = 365.0
_PASSES = 4
_LEAST_HEAD_M = 0.02


@dataclass(frozen=True, slots=True)
class ZoneDrift:
    """``index``: now, at ``reference_level_m`` (head there: ``reference_head_m``), with its 95 % interval;
    None with too few runs. ``per_day``: share by which it changes each day. ``since``: the first run after a
    step, ``step`` its size as a share, ``step_lph`` in flow. ``leaves_band``: when the index will be
    ``band_share`` below 1 (now or past: it is), with the earliest and latest day; None: not foreseen."""

    zone: str
    runs: int
    finding: Finding
    reference_level_m: float
    reference_head_m: float
    index: Measured | None
    per_day: Measured | None
    since: datetime | None
    step: Measured | None
    step_lph: float | None
    leaves_band: datetime | None
    leaves_band_earliest: datetime | None
    leaves_band_latest: datetime | None


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a person might do. ``zone`` None: the filter, which all share."""

    action: Action
    zone: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Drift:
    """All zones; ``cause`` of the fall where some fall (None: none does)."""

    zones: dict[str, ZoneDrift]
    cause: Cause | None
    proposals: tuple[Proposal, ...]


def drift(
    site: Site,
    rows: Sequence[FlowRow],
    *,
    reference_level_m: float | None = None,
    band_share: float = BAND_SHARE,
) -> Drift:
    """Look through the runs since the accepted curves. ``site``: as built; ``rows``: in any order, modelled
    with that site. ``reference_level_m``: if not given, half full or the nearest where runs were. KeyError
    for an unknown zone."""
    half_m = 0.5 * stage_storage(site.tank).brim_level_m
    by_zone: dict[str, list[FlowRow]] = {zone.id: [] for zone in site.zones}
    for row in sorted(rows, key=lambda r: r.at):
        if row.modelled_l > 0.0 and row.measured_l > 0.0 and row.sd_l > 0.0:
            by_zone[row.zone].append(row)
    levels = {zone: _level_of_runs(mine, half_m) for zone, mine in by_zone.items()}
    if reference_level_m is not None:
        levels = dict.fromkeys(by_zone, reference_level_m)
    zones = {zone: _zone_drift(site, zone, mine, levels[zone], band_share) for zone, mine in by_zone.items()}
    falling = {z.zone for z in zones.values() if z.finding == "falling"}
    cause = None
    if falling:
        # A step is no clogging: such a zone is judged from its step on only.
        suspects = [
            Suspect(zone, tuple(_since(mine, zones[zone].since)))
            for zone, mine in by_zone.items()
            if len(mine) >= LEAST_RUNS
        ]
        cause = find_cause(site, suspects, falling)
    return Drift(zones, cause, _proposals(zones, cause, band_share, site.units))


def _since(rows: Sequence[FlowRow], step: datetime | None) -> list[FlowRow]:
    return [row for row in rows if step is None or row.at >= step]


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """ln index = value + slope * (day - last day) + by head."""

    value: float
    slope: float
    cov: Array
    square: float  # sum of squares over the errors
    step: float
    step_sd: float


def _level_of_runs(rows: Sequence[FlowRow], half_m: float) -> float:
    """Half full, or the nearest level of the middle half of the runs; beyond, the flow is only reckoned."""
    if not rows:
        return half_m
    low, high = np.quantile([r.level_start_m for r in rows], (0.25, 0.75))
    return float(np.clip(half_m, low, high))


def _zone_drift(site: Site, zone: str, rows: list[FlowRow], level_m: float, band: float) -> ZoneDrift:
    network = zone_network(site, site.zone(zone))
    drop = mean_drop_m(network)
    head = level_m + drop
    if len(rows) < LEAST_RUNS:
        return ZoneDrift(
            zone, len(rows), "too few runs", level_m, head, None, None, None, None, None, None, None, None
        )
    days = np.array([(r.at - rows[-1].at).total_seconds() / 86400.0 for r in rows])
    along = np.log([max(r.level_start_m + drop, _LEAST_HEAD_M) / max(head, _LEAST_HEAD_M) for r in rows])
    seen = np.log([r.measured_l / r.modelled_l for r in rows])
    errors = np.array([math.hypot(r.sd_l / r.measured_l, MODEL_SD) for r in rows])
    line = _fit(days, along, seen, errors, None)
    place = _step_place(days, along, seen, errors, line)
    since, step, step_lph = None, None, None
    if place is not None:
        stepped = _fit(days, along, seen, errors, place)
        since = rows[place].at
        step = _share(stepped.step, stepped.step_sd)
        step_lph = step.value * solve(network, level_m).total_lph
        line = stepped
    finding = _finding(line, step)
    index = _share(line.value, math.sqrt(line.cov[0, 0]), about=1.0)
    slope_sd = math.sqrt(line.cov[1, 1])
    per_day = Measured.of(line.slope, slope_sd)
    leaves = _leaving(rows[-1].at, line, band) if finding == "falling" else (None, None, None)
    return ZoneDrift(zone, len(rows), finding, level_m, head, index, per_day, since, step, step_lph, *leaves)


def _share(ln: float, sd: float, about: float = 0.0) -> Measured:
    """exp(ln) with its interval; less 1 unless ``about`` is 1."""
    value = math.exp(ln)
    low, high = (math.exp(ln + side * NORMAL_95 * sd) for side in (-1.0, 1.0))
    return Measured(value - 1.0 + about, value * sd, low - 1.0 + about, high - 1.0 + about)


def _fit(days: Array, along: Array, seen: Array, errors: Array, place: int | None) -> _Line:
    """Weighted least squares; runs far off lose weight. ``place``: a step before that run."""
    columns = [np.ones_like(days), days, along]
    if place is not None:
        # The value is that of now, so the step stands before its place, downwards.
        columns.append(np.where(np.arange(len(days)) < place, -1.0, 0.0))
    design = np.column_stack(columns)
    prior = np.zeros(design.shape[1])
    prior[2] = HEAD_SLOPE_SD**-2.0
    weights = errors**-2.0
    for _ in range(_PASSES):
        cov = np.linalg.inv(design.T @ (weights[:, None] * design) + np.diag(prior))
        found = cov @ (design.T @ (weights * seen))
        off = np.abs(seen - design @ found) / errors / GATE_SIGMAS
        weights = errors**-2.0 / np.maximum(1.0, off)
    missed = seen - design @ found
    square = float(weights @ missed**2)
    # Stated errors that are too small are widened by what the runs scatter (Birge ratio).
    cov = np.asarray(cov * max(1.0, square / max(1.0, len(days) - design.shape[1])), dtype=np.float64)
    step, step_sd = (float(found[3]), math.sqrt(float(cov[3, 3]))) if place is not None else (0.0, 0.0)
    return _Line(float(found[0]), float(found[1]), cov, square, step, step_sd)


def _step_place(days: Array, along: Array, seen: Array, errors: Array, line: _Line) -> int | None:
    """The run before which a step best explains the runs; None where a line does about as well."""
    best: tuple[float, int] | None = None
    for place in range(STEP_RUNS, len(days) - STEP_RUNS + 1):
        tried = _fit(days, along, seen, errors, place)
        scale = max(1.0, tried.square / max(1.0, len(days) - 4.0))
        better = (line.square - tried.square) / scale
        surely = abs(tried.step) > math.sqrt(STEP_SQUARE) * tried.step_sd
        if better > STEP_SQUARE and surely and abs(tried.step) >= LEAST_STEP:
            best = max(best or (0.0, 0), (better, place))
    return None if best is None else best[1]


def _finding(line: _Line, step: Measured | None) -> Finding:
    if step is not None:
        if step.value < 0.0:
            return "step down"
        back = math.exp(line.value) <= 1.0 + BACK_SHARE
        return "came back" if back else "step up"
    falls = line.slope + NORMAL_95 * math.sqrt(line.cov[1, 1]) < 0.0
    rises = line.slope - NORMAL_95 * math.sqrt(line.cov[1, 1]) > 0.0
    if falls and line.value + NORMAL_95 * math.sqrt(line.cov[0, 0]) < 0.0 and line.value < -LEAST_FALL:
        return "falling"
    if rises and line.value - NORMAL_95 * math.sqrt(line.cov[0, 0]) > 0.0 and line.value > LEAST_FALL:
        return "rising"
    return "steady"


def _leaving(
    last: datetime, line: _Line, band: float
) -> tuple[datetime | None, datetime | None, datetime | None]:
    """When the line leaves the band: as it runs, at the earliest and at the latest (95 %)."""
    bottom = math.log(1.0 - band)

    def day_of(times: float) -> datetime | None:
        for day in np.arange(0.0, FORESEEN_DAYS, 0.5):
            row = np.array([1.0, day])
            sd = math.sqrt(float(row @ line.cov[:2, :2] @ row))
            if line.value + line.slope * day + times * sd <= bottom:
                return last + timedelta(days=float(day))
        return None

    return day_of(0.0), day_of(-NORMAL_95), day_of(NORMAL_95)


def _off(index: Measured) -> bool:
    """Surely not on its curve."""
    return index.high < 1.0 - LEAST_FALL or index.low > 1.0 + LEAST_FALL


def _proposals(
    zones: dict[str, ZoneDrift], cause: Cause | None, band: float, units: DisplayUnits
) -> tuple[Proposal, ...]:
    found = []
    falling = [z for z in zones.values() if z.finding == "falling"]
    if cause is not None:
        when = min((z.leaves_band for z in falling if z.leaves_band is not None), default=None)
        until = "" if when is None else f"; {show_share(band)} below the curve about {when:%Y-%m-%d}"
        names = ", ".join(z.zone for z in falling)
        if cause.what != "emitters":
            either = cause.what == "cannot tell"
            reason = (
                "it may be the filter or the emitters, and this is the quicker" if either else cause.reason
            )
            found.append(Proposal("clean the filter", None, f"{reason}{until}"))
        if cause.what != "filter":
            only = f"{cause.reason}{until}"
            reason = only if cause.what == "emitters" else "if a clean filter does not bring it back"
            found += [Proposal("clean the emitters", z.zone, reason) for z in falling]
        found.append(Proposal("test again", None, f"after cleaning: the curve of {names} no longer holds"))
    for zone in zones.values():
        if zone.step is None or zone.since is None:
            continue
        since = f"since {zone.since:%Y-%m-%d} the zone gives {show_share(abs(zone.step.value))}"
        if zone.finding == "step up":
            flow = show_flow(zone.step_lph, units)
            reason = f"{since} more (about {flow}): a leak, or an emitter that is off"
            found.append(Proposal("walk the line", zone.zone, reason))
        elif zone.finding == "step down":
            reason = f"{since} less: a valve that does not open fully, a kink, air in the line"
            found.append(Proposal("look at the valve", zone.zone, reason))
        else:
            reason = f"{since} more, as at first: cleaned? If nobody cleaned anything, walk the line"
            found.append(Proposal("test again", zone.zone, reason))
    found += [
        Proposal("test again", z.zone, "the zone gives more and more: worn or opened emitters, or a leak")
        for z in zones.values()
        if z.finding == "rising"
    ]
    found += [
        Proposal("test again", z.zone, f"it gives {show_share(z.index.value)} of its curve, without a trend")
        for z in zones.values()
        if z.finding == "steady" and z.index is not None and _off(z.index)
    ]
    return tuple(found)
