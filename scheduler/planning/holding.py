"""Plants that hold their zone back: a run ends early for their sake, or the whole zone stops."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.sills import sills_m
from scheduler.planning.plan import Reason
from scheduler.site.showing import show_duration, show_level, show_share, show_volume

if TYPE_CHECKING:
    from scheduler.planning.garden import GardenModel, ZoneModel
    from scheduler.planning.plan import PlannedRun

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# The others are held back where they get less than this share of what they want (ours) ...
HELD_SHARE = 0.8
# ... by the plants that get too much by at least this share of the largest surplus (ours).
HOLDS_SHARE = 0.8
# Halvings of a level until it is known to less than a mm.
LEVEL_BISECTIONS = 12
# Less height than this over where the others would stop is no watering (ours).
LEAST_ROOM_M = 0.01


def held_back(
    model: GardenModel, run: PlannedRun, reached: Flags, scale_l: Array, over_max: float
) -> tuple[Reason, ...]:
    """What is said of a run that ends for the sake of a few plants, while the others get far less than they
    want. ``reached`` and ``scale_l`` (litres in which a miss is measured) are by plant, as ``run.shares``;
    ``over_max`` is the largest miss on the side of too much, in that measure."""
    given = np.array([s.given_l for s in run.shares])
    wanted = np.array([s.wanted_l for s in run.shares])
    miss = np.where(reached, (given - wanted) / np.maximum(scale_l, 1e-9), 0.0)
    most = float(miss.max(initial=0.0))
    holds = miss >= HOLDS_SHARE * most
    others = reached & (miss < 0.0)
    if most <= 0.0 or not others.any():
        return ()
    share = float(given[others].sum() / wanted[others].sum())
    if share >= HELD_SHARE:
        return ()
    capped = most >= 0.98 * over_max
    names = _names(model, [s.plant for s, h in zip(run.shares, holds, strict=True) if h])
    given_l, wanted_l = float(given[holds].sum()), float(wanted[holds].sum())
    figures: tuple[tuple[str, float | str], ...] = (
        ("plants", names),
        ("run_s", run.run_s),
        ("wanted_l", wanted_l),
        ("given_l", given_l),
        ("others_share", share),
        ("bound", "too_much" if capped else "balance"),
    )
    return (
        Reason("held_back", _held_words(model, run, names, holds, wanted_l, given_l, share, capped), figures),
    )


def _held_words(
    model: GardenModel,
    run: PlannedRun,
    names: str,
    holds: Flags,
    wanted_l: float,
    given_l: float,
    share: float,
    capped: bool,
) -> str:
    units, one = model.site.units, int(holds.sum()) == 1
    want, get, its, them = ("it wants", "gets", "its", "it") if one else ("they want", "get", "their", "them")
    why = (
        f"no plant is given more surplus than that, for it runs past {its} roots"
        if capped
        else f"in a longer run {its} surplus would weigh more than what the others lack"
    )
    emitter = "a smaller emitter" if one else "smaller emitters"
    return (
        f"Held to {show_duration(run.run_s)} by {names}: {want} {show_volume(wanted_l, units)} and {get} "
        f"{show_volume(given_l, units)}, and {why}; the others get about {show_share(share)} of what they "
        f"want. If that stays so: {emitter} at {names}, or a zone apart for {them}."
    )


def stops_zone(model: GardenModel, zone_id: str, low_m: float) -> tuple[tuple[str, ...], float] | None:
    """The plants that a level does not reach and that so stop their zone, and the level down to which the
    others could be watered without them; None where no plant does, or no other would flow either.
    """
    zone = model.zones[zone_id]
    sills = sills_m(zone.network)
    plants = np.array([p or "" for p in zone.curve.emitter_plant])
    dry = tuple(dict.fromkeys(str(p) for p in plants[~_flowing(zone, low_m, sills)] if p))
    rest = ~np.isin(plants, dry)
    if not dry or not (rest & zone.curve.law.alive).any() or low_m < model.reserve_level_m + LEAST_ROOM_M:
        return None
    low, high = 0.0, low_m
    for _ in range(LEVEL_BISECTIONS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if _flowing(zone, middle, sills)[rest].all() else (middle, high)
    down_to_m = max(high if low > 0.0 else 0.0, model.reserve_level_m)
    return (dry, down_to_m) if low_m - down_to_m >= LEAST_ROOM_M else None


def _flowing(zone: ZoneModel, level_m: float, sills: Array) -> Flags:
    """Which emitters give water at a level, (emitters); one that never does counts as flowing."""
    law = zone.curve.law
    wet = (zone.curve.heads_m(level_m) > law.start_head_m) & (sills < level_m)
    return np.asarray(wet | ~law.alive)


def stops_words(model: GardenModel, plants: tuple[str, ...], down_to_m: float) -> str:
    """Of a zone that rests for want of height at those plants: how the others would have their water."""
    stop, them = ("stops", "it") if len(plants) == 1 else ("stop", "them")
    return (
        f"{_names(model, plants)} {stop} the whole zone: with {them} off this zone (plugged, or in a zone "
        f"apart) the others could be watered down to {show_level(down_to_m, model.site.units)}."
    )


def _names(model: GardenModel, plants: list[str] | tuple[str, ...]) -> str:
    named = [model.site.plant(p).name for p in plants]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"
