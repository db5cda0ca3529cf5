"""Catch cans: what each emitter gives, how even it is for the plants, and which emitters are amiss.

An emitter is judged by what it gave over what it gives as drawn, against the middle (median) of that ratio
in its zone: the cans of one zone share level, time and the zone's own factor, so these fall out. It is amiss
when its share of the middle is off by more than three times the scatter of the others (by the median absolute
deviation, held between what emitters and cans scatter by themselves and ``SCATTER_MOST``), and by
``LEAST_OFF`` at least. Give the garden as built where its head-flow test is known: that takes out heads that
differ along the zone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.hydraulics.uniformity import du_low_quarter, emission_uniformity, statistical_uniformity
from scheduler.site.model import Site, Zone
from scheduler.site.showing import show_share, show_volume
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import StageStorage, stage_storage
from scheduler.survey.head_flow import CAN_SD_SHARE, LEVEL_SD_M, effective_level, mean_drop_m
from scheduler.survey.intervals import Measured
from scheduler.survey.sentences import volume_word
from scheduler.survey.survey import uniformity_class
from scheduler.survey.tests_done import CatchCans
from scheduler.survey.wants import midsummer_wants

Array = NDArray[np.float64]

CanFinding = Literal["right", "clogged", "dead", "too open", "drawn dry", "not measured", "turned"]

# Error of one can's volume as a share, one sd (1 to 2 % by weight or a measuring glass: common practice).
CAN_READ_SHARE = 0.015
# How many times the scatter of the others an emitter must be off, and by what share at least.
AMISS_SCATTERS = 3.0
LEAST_OFF = 0.15
# No zone scatters more than this by itself; beyond it is not as drawn, and only half or double is named.
SCATTER_MOST = 0.15
# Less than this share of the middle is a dead emitter.
DEAD_SHARE = 0.05
# With fewer cans the middle is nobody's: only dead emitters are named.
LEAST_CANS = 4
# Median absolute deviation of a normal distribution to its sd.
_MAD_TO_SD = 1.4826
# Below this flow (L/h) an emitter counts as dry as drawn (the survey's own limit).
_DRY_LPH = 0.01
# Times the middle is taken anew without those amiss.
_PASSES = 4
# Draws for the intervals of the evenness; their seed, so that a sheet printed twice says the same.
_DRAWS, _SEED = 200, 458
# Emitters named in one sentence.
_NAMED_MOST = 6
# How many sd of its error a loss between what was drawn and what was caught must be.
_LOSS_SDS = 3.0


@dataclass(frozen=True, slots=True)
class CanEmitter:
    """One emitter. ``expected_lph``: as drawn, times the zone's factor. ``share``: flow over that."""

    emitter: str
    plant: str | None
    flow_lph: float | None
    expected_lph: float
    share: float | None
    finding: CanFinding

    @property
    def amiss(self) -> bool:
        return self.finding in ("clogged", "dead", "too open")


@dataclass(frozen=True, slots=True)
class Evenness:
    """How even a set of flows is, each measure 0 to 1: ``du`` low-quarter, with its interval (reading errors,
    and which emitters had a can); ``eu`` least over mean, the made variation being in the cans already;
    ``us`` statistical, None for one value. ``grade``: published class of ``du``."""

    count: int
    du: Measured
    eu: float
    us: float | None
    grade: str


@dataclass(frozen=True, slots=True)
class CanResult:
    """The cans of one zone, at ``level_m`` of the outlet's barrel.

    ``factor``: the zone's flow over the drawn one, by the middle emitter. ``off_share``: from how much off an
    emitter is called amiss. ``total_lph``: all emitters, those without a can as expected. Evenness by
    emitter, by plant (sum of its emitters) and by plant for each litre it wants on a strong summer day; None
    where nothing was caught. ``lost_l``: litres drawn and not caught; None where not known.
    """

    zone: str
    level_m: float
    emitters: tuple[CanEmitter, ...]
    plants: Mapping[str, float | None]  # L/h; None where one of its cans is missing
    factor: Measured
    off_share: float
    total_lph: Measured
    by_emitter: Evenness | None
    by_plant: Evenness | None
    by_want: Evenness | None
    lost_l: Measured | None
    verdict: str

    @property
    def amiss(self) -> tuple[CanEmitter, ...]:
        return tuple(e for e in self.emitters if e.amiss)

    @property
    def flows_lph(self) -> dict[str, float]:
        """Flow of each emitter that had a can, as the trimming round takes it."""
        return {e.emitter: e.flow_lph for e in self.emitters if e.flow_lph is not None}

    @property
    def caught(self) -> bool:
        """Whether any can held water: without, no emitter can be judged beside the others."""
        return any(flow > 0.0 for flow in self.flows_lph.values())

    @property
    def grade(self) -> str | None:
        """Plants of one zone want unlike litres, so they are judged for each litre wanted."""
        return self.by_want.grade if self.by_want is not None else None


def catch_cans(
    site: Site,
    record: CatchCans,
    *,
    turned: Collection[str] = (),
    read_sd_share: float = CAN_READ_SHARE,
) -> CanResult:
    """What the cans of a zone say. ``turned``: emitters set by hand and not measured since, of which ``site``
    does not tell what they should give: only a dead one is named. KeyError for an unknown zone; sense of the
    entries is not looked at here, and cans of emitters that are not in the zone are left out."""
    zone = site.zone(record.zone)
    stage = stage_storage(site.tank)
    level = _level(site, zone, record, stage)
    drawn = dict(zip((e.id for e in zone.emitters), _drawn(site, zone, level, record.water_c), strict=True))
    caught = _flows(record)
    seen = {e: caught[e] / drawn[e] for e in drawn if e in caught and drawn[e] > _DRY_LPH and e not in turned}
    spreads = {e.id: e.spread for e in zone.emitters}
    factor, off_share = _middle(seen, spreads, read_sd_share)
    judged = (
        _judge(e.id, e.plant, caught.get(e.id), drawn[e.id], factor.value, off_share, len(seen))
        for e in zone.emitters
    )
    emitters = tuple(_set_by_hand(e) if e.emitter in turned else e for e in judged)
    plants = _plant_sums(emitters)
    wants = midsummer_wants(site)
    wanted = [f / wants[p] for p, f in plants.items() if f is not None and wants[p] > 0.0]
    complete = all(e.flow_lph is not None for e in emitters)
    evenness = _Evener(read_sd_share, complete)
    result = CanResult(
        zone=record.zone,
        level_m=level,
        emitters=emitters,
        plants=plants,
        factor=factor,
        off_share=off_share,
        total_lph=_total(emitters, spreads, read_sd_share),
        by_emitter=evenness.of([e.flow_lph for e in emitters if e.flow_lph is not None]),
        by_plant=evenness.of([f for f in plants.values() if f is not None]),
        by_want=evenness.of(wanted),
        lost_l=_lost(record, stage, level, read_sd_share) if complete else None,
        verdict="",
    )
    return replace(result, verdict=_verdict(site, result))


def _flows(record: CatchCans) -> dict[str, float]:
    return {
        can.emitter: 3600.0 * can.volume_l / (can.run_s or record.run_s)
        for can in record.cans
        if can.volume_l is not None
    }


def _level(site: Site, zone: Zone, record: CatchCans, stage: StageStorage) -> float:
    """Level of the outlet's barrel whose flow is the mean flow of the time."""
    flow = sum(_flows(record).values())
    litres = sum(can.volume_l or 0.0 for can in record.cans)
    end = record.level_end_m
    if end is None:
        end = stage.level_m(stage.volume_l(record.level_m) - (record.drawn_l or litres))
    level = record.level_m
    if record.level_m > end:
        drop = mean_drop_m(zone_network(site, zone))
        level = effective_level(stage, record.level_m, end, drop, 0.5)
    return level - link_offset_m(site.tank, flow, max(level, 0.0))


def _drawn(site: Site, zone: Zone, level_m: float, water_c: float | None) -> list[float]:
    temperature = 20.0 if water_c is None else water_c
    flows: list[float] = solve(zone_network(site, zone), level_m, temperature_c=temperature).flow_lph.tolist()
    return flows


def _middle(
    seen: Mapping[str, float], spreads: Mapping[str, float], read_sd: float
) -> tuple[Measured, float]:
    """The zone's factor, and from what share off an emitter is amiss.

    Those found amiss are left out and the middle is taken anew, so that a few bad ones among few neither
    shift it nor make the scatter look large.
    """
    if not seen:
        return Measured(1.0, float("inf"), 0.0, float("inf")), LEAST_OFF
    ratios = np.array(list(seen.values()))
    itself = float(np.median([np.hypot(spreads[e], read_sd) for e in seen]))
    kept, scatter, middle = ratios, itself, float(np.median(_closest_half(ratios)))
    for _ in range(_PASSES):
        if middle <= 0.0:
            return Measured(0.0, itself, 0.0, itself), LEAST_OFF
        scatter = _MAD_TO_SD * float(np.median(np.abs(kept / middle - 1.0)))
        scatter = min(max(itself, scatter), SCATTER_MOST)
        off_share = max(AMISS_SCATTERS * scatter, LEAST_OFF)
        right = ratios[np.abs(ratios / middle - 1.0) <= off_share]
        if len(right) < max(LEAST_CANS, len(ratios) / 2):
            break
        settled = len(right) == len(kept)
        kept, middle = right, float(np.median(right))
        if settled:
            break
    # The median of n normal values errs by 1.2533 times the error of their mean (Kendall & Stuart).
    sd = middle * float(np.hypot(1.2533 * scatter / np.sqrt(len(kept)), CAN_SD_SHARE))
    return Measured.of(middle, sd), max(AMISS_SCATTERS * scatter, LEAST_OFF)


def _closest_half(ratios: Array) -> Array:
    """The half of the values, and one more, that lie closest together: clogging leaves a tail on one side,
    which drags the median of few values along."""
    ordered = np.sort(ratios)
    half = len(ordered) // 2 + 1
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(np.argmin(widths))
    return ordered[first : first + half]


def _judge(
    emitter: str,
    plant: str | None,
    flow: float | None,
    drawn: float,
    factor: float,
    off_share: float,
    count: int,
) -> CanEmitter:
    expected = drawn * factor
    share = flow / expected if flow is not None and expected > _DRY_LPH else None
    finding: CanFinding = "right"
    if flow is None:
        finding = "not measured"
    elif share is None:
        finding = "drawn dry" if drawn <= _DRY_LPH else "dead"
    elif share < DEAD_SHARE:
        finding = "dead"
    elif count >= LEAST_CANS and share < 1.0 - off_share:
        finding = "clogged"
    elif count >= LEAST_CANS and share > 1.0 + off_share:
        finding = "too open"
    return CanEmitter(emitter, plant, flow, expected, share, finding)


def _set_by_hand(e: CanEmitter) -> CanEmitter:
    """What it should give is not known."""
    return replace(e, share=None, finding="turned") if e.finding in ("right", "clogged", "too open") else e


def _plant_sums(emitters: Sequence[CanEmitter]) -> dict[str, float | None]:
    sums: dict[str, float | None] = {}
    for e in emitters:
        if e.plant is not None:
            before = sums.get(e.plant, 0.0)
            sums[e.plant] = None if e.flow_lph is None or before is None else before + e.flow_lph
    return sums


def _total(emitters: Sequence[CanEmitter], spreads: Mapping[str, float], read_sd: float) -> Measured:
    known = np.array([e.flow_lph for e in emitters if e.flow_lph is not None])
    guessed = {e.emitter: e.expected_lph for e in emitters if e.flow_lph is None}
    total = float(known.sum()) + sum(guessed.values())
    own = float(np.sqrt(((read_sd * known) ** 2).sum()))
    left_out = float(np.sqrt(sum((spreads[e] * f) ** 2 for e, f in guessed.items())))
    return Measured.of(total, float(np.sqrt(own**2 + left_out**2 + (CAN_SD_SHARE * total) ** 2)))


@dataclass(frozen=True, slots=True)
class _Evener:
    """Evenness of flows, with an interval by drawing the reading errors, and cans where some are missing."""

    read_sd: float
    complete: bool

    def of(self, flows: Sequence[float]) -> Evenness | None:
        if not flows or sum(flows) <= 0.0:
            return None
        values = np.array(flows)
        rng = np.random.default_rng(_SEED)
        shape = (_DRAWS, len(values))
        drawn = np.broadcast_to(values, shape) if self.complete else rng.choice(values, shape)
        drawn = np.maximum(drawn * (1.0 + self.read_sd * rng.standard_normal(shape)), 0.0)
        found = [du_low_quarter(row) for row in drawn if float(row.sum()) > 0.0]
        du = du_low_quarter(values)
        low, high = (float(v) for v in np.percentile(found, [2.5, 97.5]))
        grade = uniformity_class(du)
        assert grade is not None
        return Evenness(
            count=len(values),
            du=Measured(du, float(np.std(found)), min(low, du), max(high, du)),
            eu=emission_uniformity(values),
            us=statistical_uniformity(values) if len(values) > 1 else None,
            grade=grade,
        )


def _lost(record: CatchCans, stage: StageStorage, level_m: float, read_sd: float) -> Measured | None:
    """Litres drawn, by bucket or by the fall of the level, less those caught. Cans that stood for times of
    their own cannot be summed."""
    if any(can.run_s not in (None, record.run_s) for can in record.cans):
        return None
    volumes = np.array([can.volume_l for can in record.cans if can.volume_l is not None])
    caught = float(volumes.sum())
    caught_sd = float(np.hypot(np.sqrt(((read_sd * volumes) ** 2).sum()), CAN_SD_SHARE * caught))
    if record.drawn_l is not None:
        drawn, drawn_sd = record.drawn_l, read_sd * record.drawn_l
    elif record.level_end_m is not None:
        drawn = stage.volume_l(record.level_m) - stage.volume_l(record.level_end_m)
        drawn_sd = 1000.0 * stage.area_m2(level_m) * LEVEL_SD_M * float(np.sqrt(2.0))
    else:
        return None
    return Measured.of(drawn - caught, float(np.hypot(caught_sd, drawn_sd)))


def _verdict(site: Site, result: CanResult) -> str:
    if not result.flows_lph:
        return "No can was measured; nothing can be judged."
    if not result.caught:
        return (
            "Every can that stood stayed dry: see that the valve opened, the filter is clear and the water "
            "stands above the emitters; then set the cans out again."
        )
    words = []
    even = result.by_want
    if even is None:
        words.append("Nothing was caught that could be judged.")
    else:
        words.append(
            f"{even.grade.capitalize()}: for each {volume_word(site.units)} wanted, the least served "
            f"quarter of the plants gets {show_share(even.du.value)} of the mean "
            f"({show_share(even.du.low)} to {show_share(even.du.high)})."
        )
    words += [_amiss_words(site, e) for e in result.amiss]
    if not result.amiss and even is not None and any(e.finding == "right" for e in result.emitters):
        bound = math.ceil(20.0 * result.off_share - 1e-9) / 20.0  # the next 5 % up: so it stays true
        words.append(f"No emitter is off by {show_share(bound)} or more of what it should give.")
    if result.off_share >= AMISS_SCATTERS * SCATTER_MOST:
        words.append("The emitters scatter far from what is drawn: trim first, then set the cans out again.")
    if missing := [e.emitter for e in result.emitters if e.finding == "not measured"]:
        words.append(f"No can: {_some(missing)}.")
    if turned := [e.emitter for e in result.emitters if e.finding == "turned"]:
        words.append(f"First cans since they were turned, which do not tell a clogged one: {_some(turned)}.")
    lost = result.lost_l
    if lost is not None and lost.value > _LOSS_SDS * lost.sd:
        over = show_volume(lost.value, site.units)
        words.append(f"{over} more were drawn than caught: look for a leak in the lines.")
    return " ".join(words)


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED_MOST} more" if len(names) > _NAMED_MOST else ""
    return f"{', '.join(names[:_NAMED_MOST])}{more}"


def _amiss_words(site: Site, emitter: CanEmitter) -> str:
    name = "" if emitter.plant is None else f" ({site.plant(emitter.plant).name})"
    if emitter.finding == "dead":
        return f"Emitter {emitter.emitter}{name} is dead: it gives next to nothing."
    return (
        f"Emitter {emitter.emitter}{name} is {emitter.finding}: it gives {show_share(emitter.share)} of what "
        "it should beside the others."
    )
