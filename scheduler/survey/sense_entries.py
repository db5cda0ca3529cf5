"""Is one entry sensible? See ``sense``, which asks these in turn."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from scheduler.hydraulics.constants import STANDARD_GRAVITY_MS2
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.sensing.scale import level_from_raw
from scheduler.site.errors import UsageError
from scheduler.site.fields import did_you_mean
from scheduler.site.model import Line, Site, Zone
from scheduler.site.showing import (
    show_duration,
    show_flow,
    show_temperature,
    show_volume,
)
from scheduler.supply.stage import stage_storage
from scheduler.survey.head_flow import LEVEL_SD_M
from scheduler.survey.sense_echo import SENSOR_OFF_M, echo_doubt
from scheduler.survey.sentences import show_height
from scheduler.survey.tests_done import (
    Can,
    Draw,
    HandLevel,
    LineFlushed,
    PourRead,
    RestReading,
    TurnDone,
    WetPlace,
)

# Flows further from the drawn ones than by these factors are questioned. A shut-down or wide-open bubbler
# may be far from its drawing; beyond this a slip of the pen or of the unit is likelier.
FLOW_FACTOR_MOST = 3.0
FLOW_FACTOR_LEAST = 0.2
# Shorter times cannot be stopped by hand to 2 %: a second at each end.
RUN_LEAST_S = 60.0
# Air under a lid and water in a barrel, degC.
AIR_C = (-20.0, 60.0)
WATER_C = (0.0, 40.0)
# A level at rest that moves faster is a valve left open, or water running in (m an hour).
REST_MOVES_M_H = 0.02
# Speed at the open end that carries dirt out: 1 ft/s (the extension services' figure).
FLUSH_SPEED_MS = 0.3
# What the drawn barrels take for a rise may be off by this factor before it is questioned.
POUR_FACTOR = 1.4
# Valve travels outside these are questioned, s; and further from the drawn time than by this factor.
TRAVEL_S = (1.0, 120.0)
TRAVEL_FACTOR = 2.0
# A level this far above the brim is the ruler's error.
BRIM_SLACK_M = 3.0 * LEVEL_SD_M


@dataclass(frozen=True, slots=True)
class Question:
    """``about``: the entry ("can 3"). ``refused``: it cannot be, and is not taken; else the person may say
    that it is so. ``mends``: the entry of the whole test that may be typed anew instead, as a form calls
    it."""

    about: str
    refused: bool
    text: str
    mends: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known when an entry is typed."""

    site: Site
    zone: Zone | None
    level_m: float | None
    run_s: float | None
    before: tuple[Any, ...]


def level_questions(site: Site, level_m: float, about: str = "level") -> list[Question]:
    """Of a level above the outlet."""
    brim = stage_storage(site.tank).brim_level_m
    shown = show_height(level_m, site.units)
    if level_m > brim + BRIM_SLACK_M:
        text = (
            f"A level of {shown} is above the brim, which stands {show_height(brim, site.units)} above the "
            "outlet: measure from the outlet."
        )
        return [Question(about, True, text)]
    if level_m < -LEVEL_SD_M:
        text = f"A level of {shown} is below the outlet: levels count from the outlet up."
        return [Question(about, True, text)]
    return []


def water_questions(site: Site, water_c: float | None, about: str) -> list[Question]:
    """Of the water's temperature, where it was noted."""
    if water_c is None or WATER_C[0] <= water_c <= WATER_C[1]:
        return []
    text = f"Water of {show_temperature(water_c, site.units)}: type its temperature again."
    return [Question(about, True, text)]


def hand_level_questions(asked: Asked, entry: HandLevel, about: str) -> list[Question]:
    """Of a ruler's level and the sensor's raw value."""
    site = asked.site
    found = level_questions(site, entry.level_m, about) + _air(site, entry.air_c, about)
    if any(abs(entry.raw - b.raw) < 1e-9 and abs(entry.level_m - b.level_m) > 0.02 for b in asked.before):
        text = "The sensor gave the same raw value at another level: it does not move, or was read too soon."
        found.append(Question(about, True, text))
    if any(q.refused for q in found):
        return found
    try:
        off_m = level_from_raw(site, entry.raw, entry.air_c) - entry.level_m
    except UsageError:
        return found  # no scale yet, or no sensor at all
    if site.sensor is not None and site.sensor.kind == "echo":
        doubt = echo_doubt(site, site.sensor.mount_height_m, entry, off_m)
        return found if doubt is None else [*found, Question(about, False, doubt)]
    if abs(off_m) > SENSOR_OFF_M:
        text = (
            f"By the sensor as drawn that raw value is {show_height(entry.level_m + off_m, site.units)}, and "
            f"by hand {show_height(entry.level_m, site.units)}: are both right?"
        )
        found.append(Question(about, False, text))
    return found


def rest_questions(asked: Asked, entry: RestReading, about: str) -> list[Question]:
    """Of a level while all is shut."""
    site = asked.site
    found = level_questions(site, entry.level_m, about) + _air(site, entry.air_c, about)
    found += water_questions(site, entry.water_c, about)
    if not asked.before:
        return found
    last = asked.before[-1]
    hours = (entry.at - last.at).total_seconds() / 3600.0
    if hours <= 0.0:
        return [*found, Question(about, True, "This reading is not later than the one before it.")]
    moved = entry.level_m - last.level_m
    if abs(moved) > 3.0 * LEVEL_SD_M + REST_MOVES_M_H * hours:
        way = "rose" if moved > 0.0 else "fell"
        cause = "did water run in?" if moved > 0.0 else "was every valve shut?"
        text = f"The level {way} by {show_height(abs(moved), site.units)} since the reading before: {cause}"
        found.append(Question(about, False, text))
    return found


def wet_questions(asked: Asked, entry: WetPlace, about: str) -> list[Question]:
    """Of a wet place with a flow: no more than the whole zone gives from full barrels."""
    if asked.zone is None or entry.flow_lph is None:
        return []
    site = asked.site
    full = stage_storage(site.tank).brim_level_m
    most = solve(zone_network(site, asked.zone), full).total_lph
    if entry.flow_lph <= most:
        return []
    text = (
        f"{show_flow(entry.flow_lph, site.units)} at {entry.where} is more than the whole zone gives from "
        f"full barrels, {show_flow(most, site.units)}: is it right?"
    )
    return [Question(about, False, text)]


def line_questions(asked: Asked, entry: LineFlushed, about: str) -> list[Question]:
    """Of a flushed line: is it there, and did the water run fast enough to carry dirt?"""
    if asked.zone is None:
        return []
    site, lines = asked.site, {line.id: line for line in asked.zone.lines}
    if entry.line not in lines:
        text = f"Zone {asked.zone.id} has no line {entry.line!r}; {hint(entry.line, lines)}"
        return [Question(about, True, text)]
    found = []
    full = stage_storage(site.tank).full_l
    if entry.volume_l is not None and entry.volume_l > full:
        text = (
            f"{show_volume(entry.volume_l, site.units)} is more than the full barrels give, "
            f"{show_volume(full, site.units)}."
        )
        found.append(Question(about, True, text))
    elif entry.volume_l is not None and entry.run_s is not None:
        found += _flush_speed(site, lines[entry.line], entry.volume_l / entry.run_s, about)
    return found


def flush_speed_ms(line: Line, flow_ls: float) -> float:
    """Speed of the water (m/s) that leaves the open end of a line at litres a second."""
    return flow_ls / 1000.0 / (math.pi / 4.0 * line.bore_m**2)


def _flush_speed(site: Site, line: Line, flow_ls: float, about: str) -> list[Question]:
    speed = flush_speed_ms(line, flow_ls)
    if speed >= FLUSH_SPEED_MS:
        return []
    text = (
        f"Water left line {line.id} at {_speed(site, speed)}; it takes {_speed(site, FLUSH_SPEED_MS)} to "
        "carry dirt out: were the other ends closed and the barrels full?"
    )
    return [Question(about, False, text)]


def _speed(site: Site, speed_ms: float) -> str:
    return f"{speed_ms / 0.3048:.2f} ft/s" if site.units == "us" else f"{speed_ms:.2f} m/s"


def draw_questions(asked: Asked, entry: Draw, about: str) -> list[Question]:
    """Of one draw of a head-flow test."""
    site = asked.site
    found = level_questions(site, entry.level_m, about)
    stage = stage_storage(site.tank)
    held = stage.volume_l(entry.level_m)
    litres = entry.volume_l
    fell = None
    if entry.level_end_m is not None:
        found += level_questions(site, entry.level_end_m, about)
        fell = held - stage.volume_l(entry.level_end_m)
        if entry.level_end_m >= entry.level_m:
            text = "The level at the end is not below that at the start: were they swapped?"
            found.append(Question(about, True, text))
    if any(q.refused for q in found):
        return found
    error = 1000.0 * stage.area_m2(entry.level_m) * LEVEL_SD_M * math.sqrt(2.0)
    both = math.hypot(error, 0.02 * litres) if litres is not None else error
    if litres is not None and litres > held + error:
        text = (
            f"{show_volume(litres, site.units)} were caught and only {show_volume(held, site.units)} stood "
            "above the outlet."
        )
        return [*found, Question(about, True, text)]
    if litres is not None and fell is not None and abs(litres - fell) > 3.0 * both:
        text = (
            f"{show_volume(litres, site.units)} were caught, and by its level the water fell by "
            f"{show_volume(fell, site.units)}: which is wrong?"
        )
        found.append(Question(about, False, text))
    found += _run(entry.run_s, about)
    given = litres if litres is not None else fell
    if asked.zone is not None and given is not None:
        drawn = solve(zone_network(site, asked.zone), entry.level_m).total_lph
        where = f"the zone with the level at {show_height(entry.level_m, site.units)}"
        found += _flow(site, 3600.0 * given / entry.run_s, drawn, where, about)
    return found


def can_questions(asked: Asked, entry: Can, about: str) -> list[Question]:
    """Of one can: its emitter, its time, and its flow at the head that stands there."""
    zone = asked.zone
    if zone is None:
        return []
    found = _emitter(zone, entry.emitter, about)
    if found:
        return found
    if any(can.emitter == entry.emitter for can in asked.before):
        return [Question(about, True, f"Emitter {entry.emitter} has a can already: each has one.")]
    run_s = entry.run_s or asked.run_s
    if entry.volume_l is None or run_s is None:
        return []
    if entry.run_s is not None or not asked.before:
        found += _run(run_s, about)
    return found + _emitter_flow(asked, entry.emitter, 3600.0 * entry.volume_l / run_s, about)


def turn_questions(asked: Asked, entry: TurnDone, about: str) -> list[Question]:
    """Of one bubbler turned."""
    zone = asked.zone
    if zone is None:
        return []
    found = _emitter(zone, entry.emitter, about)
    if found:
        return found
    form = next(e.form for e in zone.emitters if e.id == entry.emitter)
    if form != "bubbler":
        return [Question(about, True, f"Emitter {entry.emitter} is built in and cannot be turned.")]
    if (entry.volume_l is None) != (entry.run_s is None):
        return [Question(about, True, "Give both the litres caught and the time, or neither.")]
    if entry.volume_l is None or entry.run_s is None:
        return []
    return _emitter_flow(asked, entry.emitter, 3600.0 * entry.volume_l / entry.run_s, about)


def pour_questions(asked: Asked, entry: PourRead, about: str) -> list[Question]:
    """Of one reading of poured volumes, against the barrels as drawn."""
    site = asked.site
    found = level_questions(site, entry.level_m, about)
    if found or not asked.before:
        return found
    stage = stage_storage(site.tank)
    before = asked.before[-1].level_m
    drawn = stage.volume_l(entry.level_m) - stage.volume_l(before)
    slack = 3.0 * math.sqrt(2.0) * 1000.0 * stage.area_m2(0.5 * (entry.level_m + before)) * LEVEL_SD_M
    low, high = sorted((drawn / POUR_FACTOR, drawn * POUR_FACTOR))
    if low - slack <= entry.added_l <= high + slack:
        return []
    span = f"From {show_height(before, site.units)} to {show_height(entry.level_m, site.units)}"
    given = show_volume(entry.added_l, site.units)
    text = f"{span} the drawn barrels take {show_volume(drawn, site.units)}, not {given}: is it right?"
    return [Question(about, False, text)]


def travel_questions(zone: Zone, word: str, seconds: float, about: str) -> list[Question]:
    """Of one travel of a valve; ``word`` is "opening" or "closing"."""
    drawn = zone.valve.opening_s if word == "opening" else zone.valve.closing_s
    usual = TRAVEL_S[0] <= seconds <= TRAVEL_S[1]
    near = drawn <= 0.0 or drawn / TRAVEL_FACTOR <= seconds <= drawn * TRAVEL_FACTOR
    if usual and near:
        return []
    text = f"{show_duration(seconds)} {word}; the site file says {show_duration(drawn)}: is it right?"
    return [Question(about, False, text)]


def _run(run_s: float, about: str) -> list[Question]:
    if run_s >= RUN_LEAST_S:
        return []
    text = (
        f"{show_duration(run_s)} is too short to time by hand; take a minute or more: keep it all the same?"
    )
    return [Question(about, False, text)]


def hint(word: str, known: Iterable[str]) -> str:
    """Ends the sentence."""
    hint = did_you_mean(word, known)
    return hint if hint.endswith("?") else f"{hint}."


def _air(site: Site, air_c: float | None, about: str) -> list[Question]:
    if air_c is None or AIR_C[0] <= air_c <= AIR_C[1]:
        return []
    return [Question(about, True, f"Air of {show_temperature(air_c, site.units)}: type it again.")]


def _emitter(zone: Zone, emitter: str, about: str) -> list[Question]:
    known = [e.id for e in zone.emitters]
    if emitter in known:
        return []
    text = f"Zone {zone.id} has no emitter {emitter!r}; {hint(emitter, known)}"
    return [Question(about, True, text)]


def _emitter_flow(asked: Asked, emitter: str, flow_lph: float, about: str) -> list[Question]:
    """Against what it gives as drawn, and against what the open bore of its line would let out."""
    site, zone, level_m = asked.site, asked.zone, asked.level_m
    if zone is None or level_m is None or level_questions(site, level_m):
        return []  # an impossible level is asked about by itself
    line, point = next(
        (line, p) for line in zone.lines for p in line.points if emitter in {e.id for e in p.emitters}
    )
    head = max(level_m + point.drop_m, 0.0)
    shown, at = show_flow(flow_lph, site.units), f"at {show_height(head, site.units)} of head"
    bore_lph = 3.6e6 * math.pi / 4.0 * line.bore_m**2 * math.sqrt(2.0 * STANDARD_GRAVITY_MS2 * head)
    if flow_lph > bore_lph:
        most = show_flow(bore_lph, site.units)
        text = f"{shown} from {emitter} {at} is more than the open line would let out, {most}."
        return [Question(about, True, text)]
    flows = solve(zone_network(site, zone), level_m).flow_lph.tolist()
    drawn = dict(zip((e.id for e in zone.emitters), flows, strict=True))[emitter]
    return _flow(site, flow_lph, drawn, f"{emitter} {at}", about)


def _flow(site: Site, flow_lph: float, drawn_lph: float, where: str, about: str) -> list[Question]:
    if flow_lph <= 0.0 < drawn_lph:
        return [Question(about, False, f"Nothing from {where}: is it dry, or was nothing under it?")]
    if FLOW_FACTOR_LEAST * drawn_lph <= flow_lph <= FLOW_FACTOR_MOST * drawn_lph:
        return []
    text = (
        f"{show_flow(flow_lph, site.units)} from {where}: as drawn it gives "
        f"{show_flow(drawn_lph, site.units)} there; is it right?"
    )
    return [Question(about, False, text)]
