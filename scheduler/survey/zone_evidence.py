"""One zone as its tests have found it: the zone itself, and how well it is known at each level."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import zone_network
from scheduler.sensing.flow import CATALOGUE_SD, fresh_flow
from scheduler.site.model import Emitter, Line, Site, Zone
from scheduler.site.showing import show_share
from scheduler.supply.stage import StageStorage
from scheduler.survey.tests_done import TestKind
from scheduler.survey.tests_due import Stale, TestDue, due, history, stale, standing
from scheduler.survey.zone_fit import EXPONENT_MIN, ZoneFit, fit_zone, flow_sd_share, respond
from scheduler.survey.zone_readings import Kept, ZoneReadings, zone_readings

Array = NDArray[np.float64]

# An emitter that gives less than this share of what the middle one of its zone gives of what was drawn is
# named; the interval must clear the second. Makers' spread and hand setting are 5 to 10 %.
WEAK_SHARE, WEAK_CLEAR_SHARE = 0.75, 0.85
# Outside the tested levels one sd grows by this for each e-fold of head: a curve carried on as a power law.
OUTSIDE_SD = 0.05
# A change of lines, filter or valve since the test moves the heads; what that does to the flow is modelled,
# and so much of it is not known, one sd. Bubblers turned since and not measured again as well (our choice).
CHANGED_SD = 0.05
# Mean square of the readings over their errors above which they are said not to agree, and by how much the
# whole zone and its cans must then differ.
MISFIT_MAX = 6.0
APART_SHARE = 0.05
# Levels at which the sd of the flow is worked out.
SD_LEVELS = 12
_LOWEST_SHARE = 0.03
# No emitter is known better than this, one sd.
LEAST_SPREAD = 0.01
# Heads under a centimetre count as one: nobody tests there.
_LEAST_HEAD_M = 0.01


@dataclass(frozen=True, slots=True)
class EmitterFound:
    """``factor``: k found over k drawn; ``share``: that over the middle emitter's of the zone, with one sd as
    a share of it. ``weak``: clogged, or set lower than drawn. ``own``: its own litres were caught."""

    id: str
    plant: str | None
    factor: float
    share: float
    share_sd: float
    weak: bool
    own: bool


@dataclass(frozen=True, slots=True)
class ZoneEvidence:
    """What is known of one zone, and from when.

    ``levels_m`` and ``sd_shares``: one sd of the zone's flow. Levels and heads (mean of the emitters, as they
    stand now) between which it was tested; None: never. ``common``: factor on all emitters, ``shift`` of
    their exponents with its sd. ``misfit``: see ``ZoneFit``. ``doubts``: in words.
    """

    zone: str
    tested: datetime | None
    levels_m: tuple[float, ...]
    sd_shares: tuple[float, ...]
    level_min_m: float | None
    level_max_m: float | None
    head_min_m: float | None
    head_max_m: float | None
    common: float
    shift: float
    shift_sd: float | None
    misfit: float | None
    emitters: tuple[EmitterFound, ...]
    due: tuple[TestDue, ...]
    stale: tuple[Stale, ...]
    history: Mapping[TestKind, tuple[Kept, ...]]
    doubts: tuple[str, ...]

    def flow_sd_share(self, level_m: float) -> float:
        """One sd of the zone's flow at a level, as a share."""
        return float(np.interp(level_m, self.levels_m, self.sd_shares))

    @property
    def weak(self) -> tuple[str, ...]:
        """Emitters that are clogged, or set lower than drawn."""
        return tuple(e.id for e in self.emitters if e.weak)


def prove_zone(
    site: Site, zone: Zone, stage: StageStorage, records: Sequence[Kept], now: datetime, leak_lph: float
) -> tuple[Zone, ZoneEvidence]:
    """The zone as found, and what is known of it. ``site``: with tank and sensor as found."""
    done = history(records, zone.id)
    stales = stale(site, done, zone.id)
    mine = [kept for kept in standing(records) if kept.record.zone == zone.id]
    readings = zone_readings(site, zone.id, stage, mine, leak_lph=leak_lph)
    doubts: list[str] = []
    fit = None
    if readings.shots:
        try:
            fit = fit_zone(readings.network, readings.shots, readings.own_sd)
        except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
            doubts.append(f"the tests of this zone could not be fitted: {error}")
    tests_due = list(due(site, done, stales, zone.id, now))
    if fit is None:
        return zone, _unknown(zone, stage, tests_due, stales, done, doubts)
    fitted = _fitted(zone, readings, fit)
    named = {d.kind for d in tests_due}
    if readings.turned and "catch_cans" not in named:
        tests_due.append(TestDue("catch_cans", zone.id, "bubblers were turned since"))
    if readings.turned_after_heads and "head_flow" not in named:
        tests_due.append(TestDue("head_flow", zone.id, "bubblers were turned since"))
    doubts += _fit_doubts(readings, fit)
    extra = CHANGED_SD if readings.turned or _moved(stales) else 0.0
    built = replace(site, zones=tuple(fitted if z.id == zone.id else z for z in site.zones))
    return fitted, _evidence(built, fitted, stage, readings, fit, extra, tests_due, stales, done, doubts)


def _moved(stales: Sequence[Stale]) -> bool:
    return any(
        mark.kind in ("head_flow", "catch_cans") and set(mark.changed) - {"the emitters"} for mark in stales
    )


def _unknown(
    zone: Zone,
    stage: StageStorage,
    tests_due: Sequence[TestDue],
    stales: tuple[Stale, ...],
    done: Mapping[TestKind, tuple[Kept, ...]],
    doubts: Sequence[str],
) -> ZoneEvidence:
    """A zone without a valid test: as sure as its drawing."""
    sd = fresh_flow(zone, None).sd
    return ZoneEvidence(
        zone=zone.id,
        tested=None,
        levels_m=(0.0, stage.brim_level_m),
        sd_shares=(sd, sd),
        level_min_m=None,
        level_max_m=None,
        head_min_m=None,
        head_max_m=None,
        common=1.0,
        shift=0.0,
        shift_sd=None,
        misfit=None,
        emitters=(),
        due=tuple(tests_due),
        stale=stales,
        history=done,
        doubts=tuple(doubts),
    )


def _factors(readings: ZoneReadings, fit: ZoneFit) -> Array:
    """k found over k drawn of each emitter; 1 where no test tells of it."""
    known = readings.columns >= 0
    own = fit.mean[2 + np.maximum(readings.columns, 0)]
    return np.where(known, np.exp(fit.mean[0] + own), 1.0)


def _fitted(zone: Zone, readings: ZoneReadings, fit: ZoneFit) -> Zone:
    """The zone with what was found of its emitters."""
    ids = readings.network.emitter_ids
    factors, spreads = _factors(readings, fit), _share_sds(readings, fit)
    heads = _tested_heads(readings, fit)
    shift = float(fit.mean[1])
    found: dict[str, Emitter] = {}
    by_id = {e.id: e for e in zone.emitters}
    for i, emitter in enumerate(ids):
        drawn = by_id[emitter]
        if readings.columns[i] < 0:
            continue
        low, high = heads[i] if emitter in readings.canned else (drawn.head_min_m, drawn.head_max_m)
        found[emitter] = replace(
            drawn,
            coefficient_lph=drawn.coefficient_lph * float(factors[i]),
            exponent=max(drawn.exponent + shift, EXPONENT_MIN),
            spread=max(LEAST_SPREAD, float(spreads[i])),
            head_min_m=low,
            head_max_m=high,
        )
    return replace(zone, lines=tuple(_with_emitters(line, found) for line in zone.lines))


def _with_emitters(line: Line, found: Mapping[str, Emitter]) -> Line:
    points = tuple(replace(p, emitters=tuple(found.get(e.id, e) for e in p.emitters)) for p in line.points)
    return replace(line, points=points)


def _share_sds(readings: ZoneReadings, fit: ZoneFit) -> Array:
    """One sd of each emitter's own factor against the mean of its zone; nan where no test tells of it."""
    known = np.flatnonzero(readings.columns >= 0)
    place = 2 + readings.columns[known]
    mean = np.zeros(len(fit.mean))
    np.add.at(mean, place, 1.0 / max(1, len(known)))
    found = np.full(len(readings.columns), np.nan)
    for i, column in zip(known, place, strict=True):
        contrast = -mean
        contrast[column] += 1.0
        found[i] = math.sqrt(max(0.0, float(contrast @ fit.cov @ contrast)))
    return found


def _tested_heads(readings: ZoneReadings, fit: ZoneFit) -> list[tuple[float, float]]:
    """Lowest and highest head that each emitter had while its litres were caught, alone or with the rest."""
    lows = np.full(len(readings.columns), np.inf)
    highs = np.full(len(readings.columns), -np.inf)
    for shot, answer in zip(readings.shots, fit.answers(readings.shots), strict=True):
        head = answer.head_m
        whole = any(c.emitter is None for c in shot.caught)
        alone = {c.emitter for c in shot.caught}
        for i in range(len(head)):
            if (whole or i in alone) and shot.columns[i] == readings.columns[i]:
                lows[i], highs[i] = min(lows[i], head[i]), max(highs[i], head[i])
    return [(float(low), float(high)) for low, high in zip(lows, highs, strict=True)]


def _fit_doubts(readings: ZoneReadings, fit: ZoneFit) -> list[str]:
    """In words: cans and draws that do not agree, or else the one reading that does not fit."""
    places = [(shot, c) for shot in readings.shots for c in shot.caught]
    whole = [r for (_, c), r in zip(places, fit.residuals, strict=True) if c.emitter is None]
    single = [r for (_, c), r in zip(places, fit.residuals, strict=True) if c.emitter is not None]
    if whole and single and fit.misfit is not None and fit.misfit > MISFIT_MAX:
        off = math.exp(float(np.mean(whole)) - float(np.mean(single))) - 1.0
        if abs(off) > APART_SHARE:
            side = "more" if off > 0.0 else "less"
            return [
                "head-flow test and catch cans do not agree: the whole zone gave "
                f"{show_share(abs(off))} {side} than the cans say; repeat the one that is less sure"
            ]
    words = []
    for number, reading in fit.doubtful:
        caught = readings.shots[number].caught[reading]
        what = "the whole zone" if caught.emitter is None else readings.network.emitter_ids[caught.emitter]
        words.append(
            f"what was caught of {what} at {readings.shots[number].level_m:.2f} m does not fit the rest"
        )
    return words


def _evidence(
    site: Site,
    zone: Zone,
    stage: StageStorage,
    readings: ZoneReadings,
    fit: ZoneFit,
    extra_sd: float,
    tests_due: Sequence[TestDue],
    stales: tuple[Stale, ...],
    done: Mapping[TestKind, tuple[Kept, ...]],
    doubts: Sequence[str],
) -> ZoneEvidence:
    network = zone_network(site, zone)
    weights = network.k_m3s / network.k_m3s.sum()
    drop_m = -float(weights @ network.elevation_m)
    low, high = readings.level_min_m, readings.level_max_m
    assert low is not None and high is not None  # there are shots
    levels = np.linspace(_LOWEST_SHARE * stage.brim_level_m, stage.brim_level_m, SD_LEVELS)
    sds = []
    for level, answer in zip(levels.tolist(), respond(network, levels.tolist()), strict=True):
        total = float(answer.flow_lph.sum())
        untold = float(answer.flow_lph[readings.columns < 0].sum()) / total if total > 0.0 else 0.0
        parts = (
            flow_sd_share(answer, readings.columns, fit.cov),
            untold * CATALOGUE_SD,
            OUTSIDE_SD * _outside(level + drop_m, low + drop_m, high + drop_m),
            extra_sd,
        )
        sds.append(math.hypot(*parts))
    return ZoneEvidence(
        zone=zone.id,
        tested=readings.tested,
        levels_m=tuple(levels.tolist()),
        sd_shares=tuple(sds),
        level_min_m=low,
        level_max_m=high,
        head_min_m=low + drop_m,
        head_max_m=high + drop_m,
        common=math.exp(float(fit.mean[0])),
        shift=float(fit.mean[1]),
        shift_sd=math.sqrt(float(fit.cov[1, 1])),
        misfit=fit.misfit,
        emitters=_emitters_found(readings, fit),
        due=tuple(tests_due),
        stale=stales,
        history=done,
        doubts=tuple(doubts),
    )


def _outside(head_m: float, low_m: float, high_m: float) -> float:
    """By how many e-folds a head lies outside those tested."""
    head, low, high = (max(h, _LEAST_HEAD_M) for h in (head_m, low_m, high_m))
    return max(0.0, math.log(low / head), math.log(head / high))


def _emitters_found(readings: ZoneReadings, fit: ZoneFit) -> tuple[EmitterFound, ...]:
    ids, plants = readings.network.emitter_ids, readings.network.emitter_plant
    factors, sds = _factors(readings, fit), _share_sds(readings, fit)
    own = [i for i, e in enumerate(ids) if e in readings.canned]
    middle = float(np.median(factors[own])) if own else float(np.median(factors))
    found = []
    for i, emitter in enumerate(ids):
        if readings.columns[i] < 0:
            continue
        share, sd = float(factors[i]) / middle, float(sds[i])
        weak = (
            emitter in readings.canned and share < WEAK_SHARE and share * (1.0 + 2.0 * sd) < WEAK_CLEAR_SHARE
        )
        found.append(
            EmitterFound(emitter, plants[i], float(factors[i]), share, sd, weak, emitter in readings.canned)
        )
    return tuple(found)
