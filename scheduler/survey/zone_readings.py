"""What the kept tests of a zone say of its emitters as they stand now.

Of each emitter its newest can counts, of the zone its newest head-flow test. A bubbler that was turned
between two tests has one unknown factor before and another after; one that was added or changed in the site
file since is left out of what the old test is taken to tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network, zone_network
from scheduler.site.model import Emitter, Site
from scheduler.supply.link import link_offset_m
from scheduler.supply.stage import StageStorage
from scheduler.survey.head_flow import VOLUME_SD_SHARE, draw_litres
from scheduler.survey.site_mark import SiteMark, site_mark
from scheduler.survey.tests_done import CatchCans, Draw, HeadFlow, TestRecord, Trim
from scheduler.survey.zone_fit import OWN_SD, UNSEEN_SD, Caught, Shot

# One level of a test, one sd: the mean of three readings of 10 mm each, as the guided steps ask for.
LEVEL_SD_M = 0.006
# What a bubbler gave right after it was turned, while others still were to be turned, one sd (our choice).
TURNED_SD_SHARE = 0.05
# An emitter out of which nothing came counts as giving this share of what was drawn.
DEAD_SHARE = 0.01
# Drops are the same when they differ by less: half of what a water level reads.
SAME_DROP_M = 0.005


class Kept(Protocol):
    """A test record under its number, with the mark of the garden on which it was done."""

    @property
    def id(self) -> int: ...

    @property
    def record(self) -> TestRecord: ...

    @property
    def mark(self) -> SiteMark: ...


@dataclass(frozen=True, slots=True)
class TestDone:
    """The plain value for a ``Kept``."""

    id: int
    record: TestRecord
    mark: SiteMark

    __test__ = False  # not a test of ours, for the collector of the test runner


@dataclass(frozen=True, slots=True, eq=False)
class ZoneReadings:
    """Everything to fit a zone to. ``columns``: the own factor of each emitter as it stands now; -1: no test
    tells of it. ``turned``: those turned since they were last measured; ``canned``: with their own litres."""

    network: Network
    shots: tuple[Shot, ...]
    own_sd: tuple[float, ...]
    columns: NDArray[np.intp]
    canned: frozenset[str]
    turned: frozenset[str]
    turned_after_heads: bool
    used: tuple[Kept, ...]
    level_min_m: float | None
    level_max_m: float | None

    @property
    def tested(self) -> datetime | None:
        """When the newest of the tests was done."""
        return max((kept.record.at for kept in self.used), default=None)


def zone_readings(
    site: Site, zone_id: str, stage: StageStorage, records: Sequence[Kept], *, leak_lph: float = 0.0
) -> ZoneReadings:
    """Gather from a zone's valid records, oldest first. ``leak_lph`` is taken off litres that were told by
    the fall of the level. KeyError for an unknown zone."""
    return _Gathering(site, zone_id, stage, leak_lph).of(records)


@dataclass(slots=True)
class _Gathering:
    site: Site
    zone_id: str
    stage: StageStorage
    leak_lph: float
    network: Network = field(init=False)
    emitters: dict[str, Emitter] = field(init=False)
    now: SiteMark = field(init=False)
    trims: list[Trim] = field(default_factory=list)
    columns: dict[tuple[int, float, float, int], int] = field(default_factory=dict)
    seen: set[int] = field(default_factory=set)  # columns with their own litres
    shots: list[Shot] = field(default_factory=list)
    used: list[Kept] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        zone = self.site.zone(self.zone_id)
        self.network = zone_network(self.site, zone)
        self.emitters = {e.id: e for e in zone.emitters}
        self.now = site_mark(self.site, self.zone_id)

    def of(self, records: Sequence[Kept]) -> ZoneReadings:
        self.trims = [kept.record for kept in records if isinstance(kept.record, Trim)]
        heads = [kept for kept in records if isinstance(kept.record, HeadFlow)]
        canned: dict[str, datetime] = {}
        for kept in reversed(records):
            if isinstance(kept.record, CatchCans):
                self._cans(kept, kept.record, canned)
            elif isinstance(kept.record, Trim):
                self._turns(kept, kept.record, canned)
        if heads:
            self._draws(heads[-1], heads[-1].record)
        columns, turned = self._now_columns()
        ids = self.network.emitter_ids
        return ZoneReadings(
            network=self.network,
            shots=tuple(self.shots),
            own_sd=tuple(self._own_sd()),
            columns=columns,
            canned=frozenset(e for i, e in enumerate(ids) if columns[i] in self.seen),
            turned=frozenset(turned),
            turned_after_heads=bool(heads)
            and any(t.at > heads[-1].record.at and t.turns for t in self.trims),
            used=tuple(self.used),
            level_min_m=min(self.levels, default=None),
            level_max_m=max(self.levels, default=None),
        )

    def _turns_until(self, emitter: str, when: datetime | None) -> int:
        return sum(
            turn.emitter == emitter
            for trim in self.trims
            if when is None or trim.at < when
            for turn in trim.turns
        )

    def _then(self, mark: SiteMark, emitter: str) -> tuple[float, float, float] | None:
        """k, x and drop of an emitter at a test; None when it was not there, or nobody knows."""
        if mark.emitters_then is not None:
            return mark.emitters_then.get(emitter)
        if mark.emitters != self.now.emitters or self.now.emitters_then is None:
            return None
        return self.now.emitters_then.get(emitter)

    def _setup(
        self, mark: SiteMark, when: datetime, turned: frozenset[str] = frozenset()
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Columns, and how much higher each emitter stood, at a test."""
        ids = self.network.emitter_ids
        columns = np.full(len(ids), -1, dtype=np.intp)
        risen = np.zeros(len(ids))
        for i, emitter in enumerate(ids):
            then = self._then(mark, emitter)
            if then is None:
                continue
            turns = self._turns_until(emitter, when) + (emitter in turned)
            key = (i, round(then[0], 4), round(then[1], 4), turns)
            columns[i] = self.columns.setdefault(key, len(self.columns))
            now = self.now.emitters_then
            if now is not None and abs(now[emitter][2] - then[2]) > SAME_DROP_M:
                risen[i] = now[emitter][2] - then[2]  # less drop then: it stood higher
        return columns, risen

    def _cans(self, kept: Kept, record: CatchCans, canned: dict[str, datetime]) -> None:
        if not any(record.measured):
            return  # no water came at all, which says nothing of the emitters
        columns, risen = self._setup(kept.mark, record.at)
        ids = self.network.emitter_ids
        caught = []
        for can in record.cans:
            place = ids.index(can.emitter) if can.emitter in ids else -1
            if can.volume_l is None or place < 0 or columns[place] < 0 or can.emitter in canned:
                continue
            volume = can.volume_l
            run_s = can.run_s or record.run_s
            volume = max(volume, DEAD_SHARE * self.emitters[can.emitter].coefficient_lph * run_s / 3600.0)
            caught.append(Caught(place, volume, run_s, VOLUME_SD_SHARE))
            canned[can.emitter] = record.at
            self.seen.add(int(columns[place]))
        if not caught:
            return
        volumes = [can.volume_l for can in record.cans if can.volume_l is not None]
        total = record.drawn_l if record.drawn_l is not None else sum(volumes) / len(volumes) * len(ids)
        if record.drawn_l and kept is not None and not self._gone(kept.mark):
            caught.append(Caught(None, record.drawn_l, record.run_s, VOLUME_SD_SHARE))
        self._shoot(
            kept,
            columns,
            risen,
            caught,
            record.level_m,
            record.level_end_m,
            total,
            record.run_s,
            record.water_c,
        )

    def _turns(self, kept: Kept, record: Trim, canned: dict[str, datetime]) -> None:
        """What bubblers gave right after they were turned, where no can came later."""
        if record.level_m is None:
            return
        ids = self.network.emitter_ids
        columns, risen = self._setup(kept.mark, record.at, frozenset(t.emitter for t in record.turns))
        caught = []
        for turn in record.turns:
            place = ids.index(turn.emitter) if turn.emitter in ids else -1
            if place < 0 or columns[place] < 0 or not turn.volume_l or turn.run_s is None:
                continue
            if turn.emitter not in canned:
                caught.append(Caught(place, turn.volume_l, turn.run_s, TURNED_SD_SHARE))
                canned[turn.emitter] = record.at
                self.seen.add(int(columns[place]))
        if caught:
            self._shoot(kept, columns, risen, caught, record.level_m, None, 0.0, 3600.0, None)

    def _draws(self, kept: Kept, record: TestRecord) -> None:
        assert isinstance(record, HeadFlow)
        columns, risen = self._setup(kept.mark, record.at)
        if self._gone(kept.mark) or (columns < 0).all():
            return  # what was taken away since had its part in all of these litres
        for draw in record.draws:
            litres, sd_share = self._litres(draw)
            if litres > 0.0:
                caught = [Caught(None, litres, draw.run_s, sd_share)]
                self._shoot(
                    kept,
                    columns,
                    risen,
                    caught,
                    draw.level_m,
                    draw.level_end_m,
                    litres,
                    draw.run_s,
                    record.water_c,
                )

    def _litres(self, draw: Draw) -> tuple[float, float]:
        """Litres of a draw and their error as a share."""
        litres = draw_litres(self.stage, draw)
        if draw.volume_l is not None:
            return litres, VOLUME_SD_SHARE
        litres -= self.leak_lph * draw.run_s / 3600.0
        if litres <= 0.0:
            return 0.0, 0.0
        fall_sd_l = 1000.0 * self.stage.area_m2(draw.level_m) * LEVEL_SD_M * 2.0**0.5
        return litres, fall_sd_l / litres

    def _gone(self, mark: SiteMark) -> bool:
        """Whether an emitter of that time is no longer there, or nobody knows which there were."""
        if mark.emitters_then is None:
            return mark.emitters != self.now.emitters
        return any(emitter not in self.emitters for emitter in mark.emitters_then)

    def _shoot(
        self,
        kept: Kept,
        columns: NDArray[np.intp],
        risen: NDArray[np.float64],
        caught: list[Caught],
        start_m: float,
        end_m: float | None,
        litres: float,
        run_s: float,
        water_c: float | None,
    ) -> None:
        """One shot, at the level of the outlet's barrel half way through."""
        last_m = end_m
        if last_m is None:
            last_m = (
                self.stage.level_m(max(0.0, self.stage.volume_l(start_m) - litres)) if litres else start_m
            )
        middle = 0.5 * (start_m + last_m)
        flow_lph = litres / run_s * 3600.0
        level = max(0.0, middle - link_offset_m(self.site.tank, flow_lph, max(middle, 0.0)))
        sd = LEVEL_SD_M if end_m is None else LEVEL_SD_M / 2.0**0.5
        water = 20.0 if water_c is None else water_c
        self.shots.append(Shot(level, sd, columns, risen, tuple(caught), water))
        # Of the emitters as they stand now: a level read before the barrels were raised counts from today's.
        there = columns >= 0
        self.levels.append(level - float(risen[there].mean()))
        if not any(kept is used for used in self.used):
            self.used.append(kept)

    def _now_columns(self) -> tuple[NDArray[np.intp], set[str]]:
        """The newest setting that a test tells of, of each emitter; and those turned since their can."""
        told = set(self.seen)
        for shot in self.shots:
            if any(c.emitter is None for c in shot.caught):
                told.update(int(c) for c in shot.columns)
        found = np.full(len(self.network.emitter_ids), -1, dtype=np.intp)
        turned: set[str] = set()
        for i, emitter in enumerate(self.network.emitter_ids):
            drawn = self.emitters[emitter]
            law = (i, round(drawn.coefficient_lph, 4), round(drawn.exponent, 4))
            settings = range(self._turns_until(emitter, None), -1, -1)
            known = [self.columns[*law, n] for n in settings if (*law, n) in self.columns]
            if not known:
                continue
            found[i] = next((c for c in known if c in told), known[0])
            last = self.columns.get((*law, settings[0]))
            if len(settings) > 1 and last not in self.seen:
                turned.add(emitter)
        return found, turned

    def _own_sd(self) -> list[float]:
        drawn = [self.emitters[e] for e in self.network.emitter_ids]
        found = []
        for (i, k, _, turns), column in self.columns.items():
            as_drawn = turns == 0 and k == round(drawn[i].coefficient_lph, 4)
            found.append(UNSEEN_SD if as_drawn and column not in self.seen else OWN_SD)
        return found
