"""Zones whose runs were cut by time, day after day: by the longest opening, by the watering window, or by the
pauses in which slow ground takes the water in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from math import prod
from statistics import median, mode

from scheduler.planning.plan import Plan, PlannedRun
from scheduler.planning.soaking import whole_runs
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_share

# What cuts a run by time, and what would leave it more of it.
MORE_TIME = {
    "longest_open": "a longer `longest_open` under `[node]` and in the node",
    "longest_day": "a longer `longest_open` under `[node]`, and a longer day with it in the node",
    "window": "a longer watering window",
}
# Later openings of a run find no window: more flow would be no help, for the ground takes in no more.
PAUSES = "soaks_in"
# A run that keeps this share of what was meant for it is not worth a change (ours).
KEPT_WELL = 0.9


@dataclass(frozen=True, slots=True)
class CutZone:
    """Most runs of a zone were cut. ``share``: what the middle one of these got of what was meant for it."""

    zone: str
    by: str  # of MORE_TIME, or PAUSES
    share: float
    cut_days: int
    run_days: int


def cut_zones(site: Site, plans: Iterable[Plan]) -> list[CutZone]:
    """``plans``: of the days asked for, in the order in which they were made; the last of a day counts."""
    cuts: dict[str, dict[date, tuple[str, float] | None]] = {z.id: {} for z in site.zones}
    for plan in plans:
        for run in whole_runs(plan.runs):
            found, before = _cut(run), cuts.setdefault(run.zone, {}).get(plan.day)
            if run.pulse > 1 and before is not None:  # the rest of a run: what had cut it before counts too
                found = min((before, found or before), key=lambda f: f[1])
            cuts[run.zone][plan.day] = found
    return [
        CutZone(z, mode(by for by, _ in hard), median(share for _, share in hard), len(hard), len(days))
        for z, days in cuts.items()
        if 2 * len(hard := [cut for cut in days.values() if cut is not None]) > len(days)
    ]


def _cut(run: PlannedRun) -> tuple[str, float] | None:
    """What cut a run most, and the share that was left of it; None: nothing that is worth a change."""
    found: list[tuple[str, float]] = []
    for reason in run.reasons:
        figures = dict(reason.figures)
        share, left_out = figures.get("share"), figures.get("left_out")
        if reason.code in MORE_TIME and isinstance(share, float):
            found.append((reason.code, share))
        elif isinstance(left_out, float):
            found.append((PAUSES, 1.0 - left_out / run.pulses))
    kept = prod(share for _, share in found)
    return (min(found, key=lambda f: f[1])[0], kept) if kept < KEPT_WELL else None


def cut_words(site: Site, cut: CutZone, short: Mapping[str, int]) -> tuple[str, str]:
    """The change and what speaks for it. ``short``: plant -> days on which it stood short."""
    name = site.zone(cut.zone).name
    plants = ", ".join(f"{site.plant(p).name} on {days}" for p, days in short.items())
    days = "day" if [*short.values()][-1] == 1 else "days"
    run_days = f"{cut.run_days} day{'' if cut.run_days == 1 else 's'}"
    evidence = (
        f"on {cut.cut_days} of {run_days} with a run it ended at about {show_share(cut.share)} "
        f"of what was meant, and plants stood short there: {plants} {days}"
    )
    if cut.by == PAUSES:
        return (
            f"a longer watering window for {name}, or a second one: its ground takes the water in little by "
            "little, and larger emitters would not change that",
            evidence,
        )
    longest = f" ({show_duration(site.node.longest_open_s)} now)" if cut.by.startswith("longest") else ""
    return (
        f"more flow in {name}: larger emitters, or trim those there are to give more; or {MORE_TIME[cut.by]}"
        f"{longest}",
        evidence,
    )
