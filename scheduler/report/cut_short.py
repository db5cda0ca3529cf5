"""Zones whose runs were cut by time, day after day: by the longest opening or by the watering window."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from statistics import median, mode

from scheduler.planning.plan import Plan
from scheduler.planning.soaking import whole_runs
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_share

# What cuts a run by time, and what would leave it more of it.
MORE_TIME = {
    "longest_open": "a longer `longest_open` under `[node]` and in the node",
    "window": "a longer watering window",
}
# A run that keeps this share of what was meant for it is not worth a change (ours).
KEPT_WELL = 0.9


@dataclass(frozen=True, slots=True)
class CutZone:
    """Most runs of a zone were cut. ``share``: what the middle one of these got of what was meant for it."""

    zone: str
    by: str  # of MORE_TIME
    share: float
    cut_days: int
    run_days: int


def cut_zones(site: Site, plans: Iterable[Plan]) -> list[CutZone]:
    """``plans``: of the days asked for, in the order in which they were made; the last of a day counts."""
    cuts: dict[str, dict[date, tuple[str, float] | None]] = {z.id: {} for z in site.zones}
    for plan in plans:
        for run in whole_runs(plan.runs):
            found = [(r.code, s) for r in run.reasons if isinstance(s := dict(r.figures).get("share"), float)]
            by = min((f for f in found if f[0] in MORE_TIME), key=lambda f: f[1], default=None)
            cuts.setdefault(run.zone, {})[plan.day] = by if by is not None and by[1] < KEPT_WELL else None
    return [
        CutZone(z, mode(by for by, _ in hard), median(share for _, share in hard), len(hard), len(days))
        for z, days in cuts.items()
        if 2 * len(hard := [cut for cut in days.values() if cut is not None]) > len(days)
    ]


def cut_words(site: Site, cut: CutZone, short: Mapping[str, int]) -> tuple[str, str]:
    """The change and what speaks for it. ``short``: plant -> days on which it stood short."""
    name = site.zone(cut.zone).name
    plants = ", ".join(f"{site.plant(p).name} on {days}" for p, days in short.items())
    longest = f" ({show_duration(site.node.longest_open_s)} now)" if cut.by == "longest_open" else ""
    return (
        f"more flow in {name}: larger emitters, or trim those there are to give more; or {MORE_TIME[cut.by]}"
        f"{longest}",
        f"on {cut.cut_days} of {cut.run_days} days with a run it ended at about {show_share(cut.share)} "
        f"of what was meant, and plants stood short there: {plants} day"
        f"{'' if list(short.values()) == [1] else 's'}",
    )
