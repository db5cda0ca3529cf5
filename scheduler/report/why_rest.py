"""What the rest of a change between two runs was, named from what was stored with both of their plans.

A cause is named only where the stored figures tell it and it works in the direction of the change.
"""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.planning.plan import PlannedRun, Reason
from scheduler.site.model import Site
from scheduler.site.showing import show_share, show_volume

# What cuts a run short, in words.
CUTS = {
    "window": "the watering window",
    "longest_open": "the longest opening of the node",
    "longest_day": "the time that the node keeps a valve open in a day",
    "reserve": "the reserve",
    "worst_emitter": "the level at which an emitter stops",
}
# Shares and doses nearer to each other than this are alike (ours).
ALIKE = 0.02


@dataclass(frozen=True, slots=True)
class Named:
    """``what``: cut, held_back, rationed, rain, plants_due, wanted, not_kept or not_told."""

    what: str
    text: str


def rest_of(site: Site, before: PlannedRun, after: PlannedRun, change_s: float) -> list[Named]:
    """What made the rest of the change; never empty."""
    longer = change_s >= 0.0
    ways = (_cut(before, after, longer), _held(before, after, longer), _rationed(site, before, after, longer))
    found = [n for n in (*ways, _rain(site, before, after, longer)) if n is not None]
    if found:
        return found
    other = _due(site, before, after) or _wanted(site, before, after, longer)
    if other is not None:
        return [other]
    if _of(before, "since_watered") is None or _of(after, "since_watered") is None:
        text = (
            "what the plants had used before is known of one run only: the other was their first, or too old"
        )
        return [Named("not_kept", text)]
    return [Named("not_told", "the stored figures do not tell by what")]


def _of(run: PlannedRun, *codes: str) -> Reason | None:
    return next((r for r in run.reasons if r.code in codes), None)


def _figure(reason: Reason | None, name: str) -> float | None:
    value = dict(reason.figures).get(name) if reason is not None else None
    return value if isinstance(value, float) else None


def _cut(before: PlannedRun, after: PlannedRun, longer: bool) -> Named | None:
    """A cut shortens its own run; both cut: the deeper one decides."""
    then, now = _of(before, *CUTS), _of(after, *CUTS)
    share_then, share_now = _figure(then, "share"), _figure(now, "share")
    left_then = 1.0 if share_then is None else share_then
    left_now = 1.0 if share_now is None else share_now
    if longer and then is not None and left_then < left_now - ALIKE:
        return Named("cut", f"the earlier run was cut to {show_share(left_then)} by {CUTS[then.code]}")
    if not longer and now is not None and left_now < left_then - ALIKE:
        return Named("cut", f"this run was cut to {show_share(left_now)} by {CUTS[now.code]}")
    return None


def _held(before: PlannedRun, after: PlannedRun, longer: bool) -> Named | None:
    then, now = _of(before, "held_back"), _of(after, "held_back")
    if longer and then is not None and now is None:
        return Named("held_back", f"the earlier run was held back by {dict(then.figures).get('plants', '')}")
    if not longer and now is not None and then is None:
        return Named("held_back", f"this run was held back by {dict(now.figures).get('plants', '')}")
    return None


def _rationed(site: Site, before: PlannedRun, after: PlannedRun, longer: bool) -> Named | None:
    """A dose while water is short is smaller than a usual one; both short: by their doses."""
    then, now = (_dose_l(run) for run in (before, after))
    if then is not None and now is not None:
        if abs(now - then) < ALIKE * then or (now > then) is not longer:
            return None
        shown = f"{show_volume(now, site.units)}, then {show_volume(then, site.units)}"
        return Named("rationed", f"the dose of short water is {'larger' if longer else 'smaller'} ({shown})")
    if longer and then is not None:
        return Named("rationed", "then the dose was that of short water")
    if not longer and now is not None:
        return Named("rationed", "the dose is that of short water, smaller than a usual one")
    return None


def _dose_l(run: PlannedRun) -> float | None:
    """The dose that rationing meant for the run; None where water was not short."""
    return next((d for r in run.reasons if r.code == "rationed" and (d := _figure(r, "dose_l"))), None)


def _rain(site: Site, before: PlannedRun, after: PlannedRun, longer: bool) -> Named | None:
    """By what rain brought of what was used; not rain where none reached the roots before either run."""
    parts = []
    for run in (before, after):
        reason = _of(run, "since_watered")
        rain_l, used_l = _figure(reason, "rain_l"), _figure(reason, "used_l")
        if rain_l is None or used_l is None or used_l <= 0.0:
            return None
        parts.append((rain_l / used_l, rain_l))
    (then, then_l), (now, now_l) = parts
    if abs(now - then) < ALIKE or (now > then) is longer:
        return None
    shown = f"{show_volume(now_l, site.units)}, then {show_volume(then_l, site.units)}"
    return Named("rain", f"rain brought {'less' if longer else 'more'} of what was used ({shown})")


def _due(site: Site, before: PlannedRun, after: PlannedRun) -> Named | None:
    then, now = ({s.plant for s in run.shares if s.due} for run in (before, after))
    if then == now:
        return None
    more, less = (_names(site, now - then), _names(site, then - now))
    told = [f"{more} due now and not then" if more else "", f"{less} due then and not now" if less else ""]
    return Named("plants_due", f"other plants were due: {', '.join(t for t in told if t)}")


def _wanted(site: Site, before: PlannedRun, after: PlannedRun, longer: bool) -> Named | None:
    """By what the plants wanted against what they used since their last watering: a lack from before that,
    or water that they had beyond it."""
    figures = []
    for run in (before, after):
        used_l, wanted_l = _figure(_of(run, "since_watered"), "used_l"), sum(s.wanted_l for s in run.shares)
        if used_l is None or used_l <= 0.0:
            return None
        figures.append((wanted_l / used_l, wanted_l, used_l))
    then, now = figures
    if abs(now[0] - then[0]) < ALIKE or (now[0] > then[0]) is not longer:
        return None
    told = [
        f"{show_volume(w, site.units)} after a use of {show_volume(u, site.units)}" for _, w, u in figures
    ]
    return Named(
        "wanted",
        f"against their use its plants lacked {'more' if longer else 'less'}: {told[1]}, then {told[0]}",
    )


def _names(site: Site, plants: set[str]) -> str:
    """In the site's order; a plant that is no more in it by its id."""
    known = [p.name for p in site.plants if p.id in plants]
    return ", ".join([*known, *sorted(plants - {p.id for p in site.plants})])
