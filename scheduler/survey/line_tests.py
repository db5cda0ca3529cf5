"""What the wet walk, flushing, the prime time and litres poured into the barrels say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.priming import priming
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_flow, show_length, show_share, show_volume
from scheduler.supply.poured import Pour, PouredFit, fit_poured
from scheduler.supply.stage import stage_storage
from scheduler.survey.let_out import let_out
from scheduler.survey.sense_entries import FLUSH_SPEED_MS, flush_speed_ms
from scheduler.survey.tests_done import Flush, Poured, PrimeTime, WetWalk

# A prime time is as worked out when it is within this factor, or this many seconds: where the last drip
# counts as steady is a matter of taste (a choice of this project).
PRIME_FACTOR, PRIME_SLACK_S = 1.6, 20.0
# Litres poured differ from the drawn ones when they are off by so many standard errors.
_OFF_SDS = 2.0


@dataclass(frozen=True, slots=True)
class WalkResult:
    """``open_places``: those not mended yet. ``lost_lph``: what these give, as far as it was caught; None
    where one of them was not."""

    zone: str
    mended: int
    open_places: tuple[str, ...]
    lost_lph: float | None
    valve_drips: bool | None
    verdict: str


@dataclass(frozen=True, slots=True)
class FlushResult:
    """``again``: lines that did not run clear. ``slow``: lines whose water was too slow to carry dirt.
    ``undone``: lines of the zone that were not flushed. ``used_l``: litres let out, as far as measured;
    ``worked_out_l``: what the lines let out that were timed but not measured."""

    zone: str
    again: tuple[str, ...]
    slow: tuple[str, ...]
    undone: tuple[str, ...]
    used_l: float | None
    worked_out_l: float
    verdict: str


@dataclass(frozen=True, slots=True)
class PrimeResult:
    """``expected_s``: by the lines as drawn, until all of them are full; None where the water reaches none.
    ``fits``: the time found agrees."""

    zone: str
    level_m: float
    prime_s: float
    expected_s: float | None
    fits: bool | None
    verdict: str


@dataclass(frozen=True, slots=True)
class PouredResult:
    """The litres fitted, and those at the brim: as poured, and as drawn."""

    fit: PouredFit
    full_l: float
    full_sd_l: float
    drawn_full_l: float
    verdict: str


def wet_walk(site: Site, record: WetWalk) -> WalkResult:
    """What a walk along the wet lines found."""
    left = [p for p in record.places if not p.mended]
    flows = [p.flow_lph for p in left]
    lost = None if any(f is None for f in flows) else sum(f for f in flows if f is not None)
    mended = len(record.places) - len(left)
    words = []
    if left:
        much = "" if lost is None else f" ({show_flow(lost, site.units)} in all)"
        words.append(
            f"Still leaking{much}: {_listed([p.where for p in left])}. Tighten before you measure on."
        )
    else:
        words.append("Dry along the lines." if not mended else f"Mended on the walk: {mended}; dry now.")
    if record.valve_drips:
        words.append("The valve drips when shut: look for grit in its seat.")
    elif record.valve_drips is None:
        words.append("Nobody looked whether the valve drips when shut.")
    places = tuple(p.where for p in left)
    return WalkResult(record.zone, mended, places, lost, record.valve_drips, " ".join(words))


def flush(site: Site, record: Flush) -> FlushResult:
    """What flushing left to do. KeyError for an unknown zone."""
    lines = {line.id: line for line in site.zone(record.zone).lines}
    done = {entry.line: entry for entry in record.lines}
    again = tuple(entry.line for entry in done.values() if not entry.clear)
    slow = tuple(
        entry.line
        for entry in done.values()
        if entry.line in lines
        and entry.volume_l is not None
        and entry.run_s is not None
        and flush_speed_ms(lines[entry.line], entry.volume_l / entry.run_s) < FLUSH_SPEED_MS
    )
    undone = tuple(line for line in lines if line not in done)
    volumes = [entry.volume_l for entry in record.lines if entry.volume_l is not None]
    used = sum(volumes) if volumes else None
    words = []
    if again:
        words.append(f"Not clear yet, flush again: {_listed(again)}.")
    if slow:
        words.append(f"Too slow to carry dirt out, flush with the barrels full: {_listed(slow)}.")
    if undone:
        words.append(f"Not flushed: {_listed(undone)}.")
    if not words:
        words.append("Every line ran clear.")
    if used is not None:
        words.append(f"{show_volume(used, site.units)} used.")
    worked_out_l = let_out(site, record).worked_out_l
    if worked_out_l > 0.0:
        about = show_volume(worked_out_l, site.units)
        words.append(f"About {about} {'more ' if used is not None else ''}by the time the open ends ran.")
    return FlushResult(record.zone, again, slow, undone, used, worked_out_l, " ".join(words))


def prime_time(site: Site, record: PrimeTime) -> PrimeResult:
    """The prime time against that of the drawn lines. KeyError for an unknown zone."""
    zone = site.zone(record.zone)
    share = 1.0 if record.emptied else zone.emptied_share
    worked = priming(zone_network(site, zone), record.level_m, share).fill_s
    expected = worked if 0.0 < worked < math.inf else None
    took = f"Primed in {show_duration(record.prime_s)}"
    if expected is None:
        verdict = f"{took}; as drawn the water does not reach the lines at this level."
        return PrimeResult(record.zone, record.level_m, record.prime_s, None, None, verdict)
    off = abs(record.prime_s - expected)
    near = expected / PRIME_FACTOR <= record.prime_s <= expected * PRIME_FACTOR or off <= PRIME_SLACK_S
    if near:
        verdict = f"{took}, as the drawn lines lead one to expect."
    elif record.prime_s > expected:
        verdict = (
            f"{took}, and not in {show_duration(expected)} as the drawn lines would: look for air, a clogged "
            "filter, a kink, or lines longer than drawn."
        )
    else:
        verdict = (
            f"{took}, and not in {show_duration(expected)} as the drawn lines would: they were not empty, or "
            "are shorter than drawn."
        )
    return PrimeResult(record.zone, record.level_m, record.prime_s, expected, near, verdict)


def poured(site: Site, record: Poured, *, level_sd_m: float = 0.005) -> PouredResult:
    """The tank's litres from those poured in. UsageError in one sentence for readings that cannot be."""
    drawn = stage_storage(site.tank)
    try:
        fit = fit_poured(drawn, [Pour(p.added_l, p.level_m) for p in record.pours], level_sd_m=level_sd_m)
    except ValueError as error:
        raise UsageError(str(error)) from error
    full, sd = fit.volume_l(drawn.brim_level_m), fit.volume_sd_l(drawn.brim_level_m)
    words = [f"The full barrels give {show_volume(full, site.units)}, one sd {show_volume(sd, site.units)}."]
    off = full - drawn.full_l
    if abs(off) > _OFF_SDS * sd:
        share = show_share(abs(off) / drawn.full_l)
        words.append(f"That is {share} {'more' if off > 0.0 else 'less'} than drawn.")
    else:
        words.append("That is as drawn, within the error.")
    low, high = show_length(fit.lowest_m, site.units), show_length(fit.highest_m, site.units)
    words.append(f"Poured from {low} to {high}.")
    if fit.doubtful:
        words.append(f"Read again: {_listed([str(i + 1) for i in fit.doubtful])} of the readings.")
    return PouredResult(fit, full, sd, drawn.full_l, " ".join(words))


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
