"""Filter or emitters: which of them explains how the zones fell.

A clogged filter costs head with the square of the flow through it: a zone of much flow falls more than one of
little, and a zone more from a full barrel than from a low one where its exponent is above a half. Clogged
emitters cost each zone its own part at all levels alike. Both are worked out through the site's networks, and
the better one is named when it is better by enough. Where only the zone of the most flow is seen to fall, it
may be either, and that is what is said.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve_levels
from scheduler.site.model import Site
from scheduler.supply.stage import stage_storage

Array = NDArray[np.float64]

# Squared standard errors by which one explanation must be better (2 sd), and from how many a fall is seen.
SURE_SQUARE = 4.0
SEEN_SIGMAS = 2.0
# The fall for which the patterns are worked out, about; smaller and larger ones go in proportion.
PATTERN_FALL = 0.10
# First guess of the filter's loss coefficient, and how often it is doubled.
_FIRST_LOSS_K, _DOUBLINGS = 10.0, 24
_LEVELS = 6
_MODEL_SD = 0.01


@dataclass(frozen=True, slots=True)
class FlowRow:
    """One run: the level it began at, litres as modelled with the accepted curve (priming included), litres
    measured by the level's fall (leak and rain taken out) and their sd."""

    at: datetime
    zone: str
    level_start_m: float
    modelled_l: float
    measured_l: float
    sd_l: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """The runs of one zone."""

    zone: str
    rows: tuple[FlowRow, ...]


@dataclass(frozen=True, slots=True)
class Cause:
    """``filter_square``, ``emitters_square``: how badly each explains the runs (sum of squares; chance
    counted against the second)."""

    what: Literal["filter", "emitters", "cannot tell"]
    reason: str
    filter_square: float
    emitters_square: float


def find_cause(site: Site, suspects: Sequence[Suspect], falling: Collection[str]) -> Cause:
    """Judge the fall of some zones. ``suspects``: all zones with runs enough, those that did not fall too."""
    levels = np.linspace(0.1, 1.0, _LEVELS) * stage_storage(site.tank).brim_level_m
    clean = {s.zone: _flow_lph(site, s.zone, levels) for s in suspects}
    by_filter = _filter_pattern(site, clean, levels)
    by_emitters = {
        zone: _fall(_flow_lph(site, zone, levels, emitters=math.exp(-PATTERN_FALL)), clean[zone])
        for zone in clean
    }
    seen, errors, filtered, clogged, owner = [], [], [], [], []
    for number, suspect in enumerate(suspects):
        first, last = suspect.rows[0].at, suspect.rows[-1].at
        span = max((last - first).total_seconds(), 1.0)
        for row in suspect.rows:
            share = (row.at - first).total_seconds() / span
            seen.append(math.log(row.measured_l / row.modelled_l))
            errors.append(math.hypot(row.sd_l / row.measured_l, _MODEL_SD))
            level = min(max(row.level_start_m, float(levels[0])), float(levels[-1]))
            filtered.append(share * float(np.interp(level, levels, by_filter[suspect.zone])))
            clogged.append(share * float(np.interp(level, levels, by_emitters[suspect.zone])))
            owner.append(number)
    y, sd, zones = np.array(seen) / np.array(errors), np.array(errors), np.array(owner)
    # Each zone may have begun a little off its curve; that is nobody's clogging.
    starts = (zones[:, None] == np.arange(len(suspects))) / sd[:, None]
    own = starts * np.array(clogged)[:, None]
    filter_square = _left(y, starts, (np.array(filtered) / sd)[:, None])
    together = _left(y, starts, own.sum(axis=1, keepdims=True))
    each = _left(y, starts, own)
    # Stated errors that are too small would make every difference look sure (Birge ratio).
    scale = max(1.0, min(filter_square, each) / max(1.0, len(y) - 2.0 * len(suspects)))
    # Zones that by chance clogged in just the way in which a filter lets them fall: each one after the first
    # costs ln(n) (Schwarz's criterion). One zone alone that is seen to fall is no such chance.
    further = math.log(len(y)) * max(0, _zones_seen(y, starts, own, scale) - 1)
    emitters_square = min(together / scale, each / scale + further)
    filter_square /= scale
    return _named(filter_square, emitters_square, len(suspects), falling)


def _named(filter_square: float, emitters_square: float, zones: int, falling: Collection[str]) -> Cause:
    names = ", ".join(sorted(falling))
    if filter_square + SURE_SQUARE < emitters_square:
        reason = "the fall goes with the flow through the filter" + (", in all zones" if zones > 1 else "")
        return Cause("filter", reason, filter_square, emitters_square)
    if emitters_square + SURE_SQUARE < filter_square:
        fell = "falls" if len(falling) == 1 else "fall"
        reason = f"{names} {fell}, and not as a clogged filter would have it"
        return Cause("emitters", reason, filter_square, emitters_square)
    return Cause(
        "cannot tell",
        f"a clogged filter and clogged emitters would look alike in {names}",
        filter_square,
        emitters_square,
    )


def _left(y: Array, starts: Array, falls: Array) -> float:
    """Sum of squares that a least-squares fit leaves; a fall that comes out as a rise is held at nothing."""
    kept = np.ones(falls.shape[1], dtype=np.bool_)
    while True:
        design = np.column_stack([starts, falls[:, kept]])
        found, *_ = np.linalg.lstsq(design, y, rcond=None)
        rises = found[starts.shape[1] :] < 0.0
        if not rises.any():
            missed = y - design @ found
            return float(missed @ missed)
        kept[np.flatnonzero(kept)[rises]] = False


def _zones_seen(y: Array, starts: Array, own: Array, scale: float) -> int:
    """How many zones fall for sure, each by itself."""
    count = 0
    for number in range(own.shape[1]):
        design = np.column_stack([starts, own])[:, [number, starts.shape[1] + number]]
        mine = starts[:, number] > 0.0
        cov = np.linalg.pinv(design[mine].T @ design[mine]) * scale
        found = cov @ (design[mine].T @ y[mine]) / scale
        count += bool(found[1] > SEEN_SIGMAS * math.sqrt(max(float(cov[1, 1]), 1e-12)))
    return count


def _flow_lph(site: Site, zone: str, levels: Array, *, emitters: float = 1.0, loss_k: float = 0.0) -> Array:
    """The zone's flow at each level, with a share of its emitters' coefficients and a further loss in the
    filter."""
    clogged = replace(site, feed=replace(site.feed, loss_k=site.feed.loss_k + loss_k))
    network = zone_network(clogged, site.zone(zone), coefficient_factor=emitters)
    return np.asarray(solve_levels(network, levels).flow_lph.sum(axis=1))


def _fall(now_lph: Array, clean_lph: Array) -> Array:
    """ln of the flow over that of the clean zone, at each level; at or below 0."""
    wet = (clean_lph > 0.0) & (now_lph > 0.0)
    return np.where(wet, np.log(np.where(wet, now_lph, 1.0) / np.where(wet, clean_lph, 1.0)), 0.0)


def _filter_pattern(site: Site, clean: Mapping[str, Array], levels: Array) -> dict[str, Array]:
    """How a filter would make each zone fall: scaled so that the worst falls by ``PATTERN_FALL`` or so."""
    loss_k = _FIRST_LOSS_K
    for _ in range(_DOUBLINGS):
        pattern = {
            zone: _fall(_flow_lph(site, zone, levels, loss_k=loss_k), flow) for zone, flow in clean.items()
        }
        if min(float(fall.min()) for fall in pattern.values()) <= -PATTERN_FALL:
            break
        loss_k *= 2.0
    return pattern
