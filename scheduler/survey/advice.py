"""What would make a drawn garden water more evenly and further down, each worked out by solving it again.

A garden is scored by two figures between 0 and 1: *evenness*, the low-quarter uniformity of what each plant
gets for each litre it wants, mean over full, half and low and over the zones; and *reach*, the share of the
stored water that can reach every emitter. Advice is ordered by the rise of their sum for each hour of work;
but what leaves a plant dry at half comes after what does not, and a small cure after those that do half as
much as the best or more, so that many small ones do not hide it. Hours are this project's plain guesses of
a fitter's time, parts not counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.sills import sills_m
from scheduler.hydraulics.solve import solve_levels
from scheduler.hydraulics.uniformity import du_low_quarter
from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits, Line, Site, Zone
from scheduler.site.quantities import parse
from scheduler.supply.stage import StageStorage, stage_storage
from scheduler.survey.changes import changed, turned
from scheduler.survey.levels import LEVEL_SHARES
from scheduler.survey.sentences import bore_words, flow_words, part_words, place_words, rises
from scheduler.survey.trimming import TrimAdvice, trim_advice
from scheduler.survey.wants import midsummer_wants

Array = NDArray[np.float64]

# Hours of work (guesses of this project): see the module's words.
HOURS_TURN = 0.1
HOURS_PART = 0.5
HOURS_VALVE = 1.0
HOURS_EMITTER = 0.3
HOURS_LINE, HOURS_LINE_METRE = 0.5, 0.1
HOURS_STAND, HOURS_STAND_METRE = 3.0, 4.0
HOURS_SPLIT = 3.0
# Advice that raises the score by less is not given: nobody would see it in a can.
LEAST_GAIN = 0.01
# A cure with less than this share of the best one's gain is a small one (a choice of this project).
SMALL_SHARE = 0.5
# Levels at which a candidate is solved; where an emitter stops is read between them.
SCORE_LEVELS = 17
# Common inner bores of garden tube, m (from memory).
BORES_M = (0.0098, 0.0136, 0.0165, 0.0205, 0.026)
# An emitter is moved no further along its line than still waters its plant (a choice of this project), m.
MOVE_M = 0.5
# A better part passes so many times as much.
BETTER_PART = 2.0


@dataclass(frozen=True, slots=True)
class ZoneScore:
    evenness: float
    reach: float
    worst: str | None  # the plant with the least flow for what it wants, at half


@dataclass(frozen=True, slots=True)
class Score:
    """Of a garden: the mean of its zones."""

    evenness: float
    reach: float
    worst: str | None  # as of a zone, among all its plants
    half_lph: Mapping[str, float]  # what each plant that wants water gets at half
    zones: Mapping[str, ZoneScore]

    @property
    def dry(self) -> tuple[str, ...]:
        """Plants that get nothing at half."""
        return tuple(plant for plant, flow in self.half_lph.items() if flow <= 0.0)

    @property
    def total(self) -> float:
        return self.evenness + self.reach


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do. ``changes`` are sentences for ``survey --what-if``; ``turns`` the bubblers to turn,
    in order (only of a trimming). ``gain`` is the rise of the score, ``per_hour`` the same for each hour of
    work."""

    kind: str
    zone: str | None
    changes: tuple[str, ...]
    hours: float
    before: Score
    after: Score
    trim: TrimAdvice | None = None

    @property
    def after_as_before(self) -> ZoneScore:
        """The garden afterwards, by the zones that it has now: a zone more must not weigh in the mean."""
        return _together([now for _, now in self.zones.values()])

    @property
    def gain(self) -> float:
        after = self.after_as_before
        return after.evenness + after.reach - self.before.total

    @property
    def zones(self) -> Mapping[str, tuple[ZoneScore, ZoneScore]]:
        """Each zone as it is and as it becomes; of one that is split, its parts together."""
        old, new = self.before.zones, self.after.zones
        return {
            z: (was, _together([s for n, s in new.items() if n == z or (n not in old and z == self.zone)]))
            for z, was in old.items()
        }

    @property
    def per_hour(self) -> float:
        return self.gain / self.hours


def _together(parts: Sequence[ZoneScore]) -> ZoneScore:
    even, reach = (float(np.mean(x)) for x in ([p.evenness for p in parts], [p.reach for p in parts]))
    return ZoneScore(even, reach, parts[0].worst)


def advise(site: Site, wants: Mapping[str, float] | None = None) -> tuple[Advice, ...]:
    """All advice that helps by ``LEAST_GAIN`` or more, in the order that the module's words say."""
    wants = wants or midsummer_wants(site)
    stage = stage_storage(site.tank)
    before = score(site, wants, stage)
    found = list(_trims(site, wants, stage, before))
    for kind, zone, sentences, hours in _candidates(site, wants):
        try:
            after = score(changed(site, sentences), wants, stage)
        except UsageError:
            continue  # this garden is not laid out for it
        found.append(Advice(kind, zone, sentences, hours, before, after))
    helping = [a for a in found if a.gain >= LEAST_GAIN]
    most = max((a.gain for a in helping), default=0.0)

    def standing(a: Advice) -> tuple[int, bool, float, tuple[str, ...]]:
        return len(a.after.dry), a.gain < SMALL_SHARE * most, -a.per_hour, a.changes

    return tuple(sorted(helping, key=standing))


def score(site: Site, wants: Mapping[str, float], stage: StageStorage) -> Score:
    """Solve every zone over the levels and score the garden."""
    brim = stage.brim_level_m
    levels = np.linspace(0.0, brim, SCORE_LEVELS)
    zones: dict[str, ZoneScore] = {}
    half: dict[str, float] = {}
    for zone in site.zones:
        network = zone_network(site, zone)
        table = solve_levels(network, levels)
        alive = network.k_m3s > 0.0
        over = (table.head_m - network.activation_head_m)[:, alive].min(axis=1, initial=np.inf)
        sills = sills_m(network)
        over = np.minimum(
            over, levels - sills[alive].max(initial=0.0)
        )  # over a high place none passes below it
        reached = np.where(levels[:, None] > sills, table.flow_lph, 0.0)
        reach = 1.0 - stage.volume_l(_crossing(levels, over)) / stage.volume_l(brim)
        ratios, flows = _ratios(network.emitter_plant, reached, wants)
        at = [float(share * brim) for _, share in LEVEL_SHARES]
        rows = [np.array([np.interp(x, levels, column) for column in ratios.T]) for x in at]
        even = float(np.mean([du_low_quarter(r) if r.sum() > 0.0 else 0.0 for r in rows]))
        mine = {
            plant: _at_half(levels, flows[:, i], at[1])
            for i, plant in enumerate(_wanting(network.emitter_plant, wants))
        }
        zones[zone.id] = ZoneScore(even, reach, _worst(mine, wants))
        half |= mine
    found = zones.values()
    return Score(
        evenness=float(np.mean([z.evenness for z in found])),
        reach=float(np.mean([z.reach for z in found])),
        worst=_worst(half, wants),
        half_lph=half,
        zones=zones,
    )


def _worst(half_lph: Mapping[str, float], wants: Mapping[str, float]) -> str | None:
    return min(half_lph, key=lambda plant: half_lph[plant] / wants[plant], default=None)


def _at_half(levels: Array, flow: Array, half_m: float) -> float:
    """Flow at half, which is one of the levels solved."""
    return float(flow[int(np.abs(levels - half_m).argmin())])


def _wanting(plants: tuple[str | None, ...], wants: Mapping[str, float]) -> list[str]:
    return [p for p in dict.fromkeys(plants) if p is not None and wants.get(p, 0.0) > 0.0]


def _crossing(levels: Array, over: Array) -> float:
    """Lowest level from which the hardest emitter has head."""
    if over[-1] <= 0.0:
        return float(levels[-1])
    dry = np.nonzero(over <= 0.0)[0]
    if len(dry) == 0:
        return 0.0
    i = int(dry[-1])
    return float(levels[i] - over[i] / (over[i + 1] - over[i]) * (levels[i + 1] - levels[i]))


def _ratios(
    plants: tuple[str | None, ...], flow_lph: Array, wants: Mapping[str, float]
) -> tuple[Array, Array]:
    """Flow for each litre wanted, and flow, of every plant with a want: (levels, plants) each."""
    known = _wanting(plants, wants)
    rows = np.array([[float(p == q) for q in plants] for p in known]).reshape(len(known), len(plants))
    flows = flow_lph @ rows.T
    return flows / np.array([wants[p] for p in known]), flows


def _trims(site: Site, wants: Mapping[str, float], stage: StageStorage, before: Score) -> Iterator[Advice]:
    half_m = 0.5 * stage.brim_level_m
    for zone in site.zones:
        trim = trim_advice(site, zone.id, half_m, wants)
        if not trim.turns:
            continue
        after = score(turned(site, {t.emitter: t.factor for t in trim.turns}), wants, stage)
        words = tuple(
            f"{'open' if t.opens else 'close'} {t.emitter} {abs(t.factor - 1.0):.0%}".replace("%", " %")
            for t in trim.turns
        )
        yield Advice("trim", zone.id, words, HOURS_TURN * len(trim.turns), before, after, trim)


_Candidate = tuple[str, str | None, tuple[str, ...], float]


def _candidates(site: Site, wants: Mapping[str, float]) -> Iterator[_Candidate]:
    units = site.units
    for rise in rises(units):
        hours = HOURS_STAND + HOURS_STAND_METRE * parse(rise, "length")
        yield "raise", None, (f"raise barrels {rise}",), hours
    if site.feed.filter_kv_m3ph is not None:
        better = part_words(BETTER_PART * site.feed.filter_kv_m3ph, units)
        yield "filter", None, (f"filter {better}",), HOURS_PART
    yield "feed", None, (f"feed bore {bore_words(_next_bore(site.feed.bore_m), units)}",), HOURS_PART
    for zone in site.zones:
        better = part_words(BETTER_PART * zone.valve.kv_m3ph, units)
        yield "valve", zone.id, (f"valve {zone.id} {better}",), HOURS_VALVE
        for line in zone.lines:
            yield from _line_candidates(zone, line, units)
        yield from _emitter_candidates(site, zone, wants)


def _line_candidates(zone: Zone, line: Line, units: DisplayUnits) -> Iterator[_Candidate]:
    hours = HOURS_LINE + HOURS_LINE_METRE * line.length_m
    yield "bore", zone.id, (f"bore {line.id} {bore_words(_next_bore(line.bore_m), units)}",), hours
    yield "middle", zone.id, (f"feed {line.id} from its middle",), HOURS_LINE + hours / 2.0
    yield "split", zone.id, (f"split {zone.id} at {line.id}",), HOURS_SPLIT


def _emitter_candidates(site: Site, zone: Zone, wants: Mapping[str, float]) -> Iterator[_Candidate]:
    """One more bubbler beside the worst served plant's first, as large as what it lacks; or its first one
    moved to a lower place close by."""
    half_m = 0.5 * stage_storage(site.tank).brim_level_m
    network = zone_network(site, zone)
    table = solve_levels(network, np.array([half_m]))
    ratios, flows = _ratios(network.emitter_plant, table.flow_lph, wants)
    known = _wanting(network.emitter_plant, wants)
    if len(known) < 2:
        return
    worst = int(ratios[0].argmin())
    plant = known[worst]
    line, at_m, emitter = next(
        (x, p.at_m, e) for x in zone.lines for p in x.points for e in p.emitters if e.plant == plant
    )
    lack = float(ratios[0].mean() * wants[plant] - flows[0, worst])
    head = float(table.head_m[0][[q == plant for q in network.emitter_plant]].max())
    if head > 0.05 and lack > 0.1:
        more, where = flow_words(lack / head**0.65, site.units), place_words(at_m, site.units)
        words = f"add {more} bubbler for {plant} on {line.id} at {where}"
        yield "add", zone.id, (words,), HOURS_EMITTER
    near = np.clip(at_m + np.array([-MOVE_M, -MOVE_M / 2, MOVE_M / 2, MOVE_M]), 0.0, line.length_m)
    drops = [p.at_m for p in line.points], [p.drop_m for p in line.points]
    lowest = float(near[int(np.interp(near, *drops).argmax())])
    if float(np.interp(lowest, *drops)) > float(np.interp(at_m, *drops)):
        yield "move", zone.id, (f"move {emitter.id} to {place_words(lowest, site.units)}",), HOURS_EMITTER


def _next_bore(bore_m: float) -> float:
    return next((b for b in BORES_M if b > bore_m * 1.05), round(bore_m * 1.25, 4))


__all__ = ["Advice", "Score", "ZoneScore", "advise", "score"]
