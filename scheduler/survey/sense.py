"""Is what was typed sensible? Each entry is looked at as it comes, each record as a whole.

A question is one sentence in the garden's own units. *Refused* is what cannot be; *questioned* is what hardly
ever is, and stands when the person says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.priming import priming
from scheduler.site.model import Site, Zone
from scheduler.site.showing import show_duration, show_share, show_volume
from scheduler.supply.poured import Pour, fit_poured
from scheduler.supply.stage import stage_storage
from scheduler.survey.head_flow import CAN_SD_SHARE, LEVEL_SD_M
from scheduler.survey.sense_entries import (
    Asked,
    Question,
    can_questions,
    draw_questions,
    hand_level_questions,
    hint,
    level_questions,
    line_questions,
    pour_questions,
    rest_questions,
    travel_questions,
    turn_questions,
    water_questions,
    wet_questions,
)
from scheduler.survey.sentences import show_height
from scheduler.survey.tests_done import (
    Can,
    CatchCans,
    Draw,
    Flush,
    HandLevel,
    HeadFlow,
    LeakAtRest,
    LineFlushed,
    Poured,
    PourRead,
    PrimeTime,
    RestReading,
    SensorScale,
    TestRecord,
    TravelTimes,
    Trim,
    TurnDone,
    WetPlace,
    WetWalk,
)

__all__ = ["Question", "entry_questions", "level_questions", "questions", "travel_questions"]

# Shorter rests say little: the trade's practice is 12 to 24 h.
REST_LEAST_S = 12 * 3600.0
# The zone's flow at two levels tells no exponent when the levels are closer than this.
LEVELS_APART_M = 0.10
# More caught than drawn by so many sd of both is questioned; by this share as well it is refused.
SUM_SDS, SUM_REFUSED_SHARE = 3.0, 0.5
# The level's fall and the litres drawn are questioned when they differ by more than so many times both
# errors: a centimetre of level (two readings) and the share of a volume. Far apart on
# purpose: a leak is found by the test itself, this catches slips of the pen.
FALL_ERRORS, FALL_LEVEL_M, FALL_SHARE = 5.0, 0.010, 0.02
# Prime times further from the worked-out one than by this factor are questioned (priming is rough).
PRIME_FACTOR = 5.0
# ... and by more than this: steady drips take a while to show.
PRIME_SLACK_S = 60.0
# Every emitter gets a can where there are no more than so many; else at least so many, spread over the zone
# (16 in published field tests; the trade's practice).
EVERY_CAN_BELOW, LEAST_SAMPLE = 20, 16
# Valve times of one direction that differ by more than this share of their mean are questioned.
TRAVEL_SPREAD = 0.3


def entry_questions(
    site: Site,
    entry: Any,
    *,
    zone: str | None = None,
    before: Sequence[Any] = (),
    level_m: float | None = None,
    run_s: float | None = None,
    name: str = "",
) -> tuple[Question, ...]:
    """What to ask of one entry of a record (``HandLevel``, ``RestReading``, ``WetPlace``, ``LineFlushed``,
    ``Draw``, ``Can``, ``TurnDone``, ``PourRead``), as soon as it is typed.

    ``before``: the entries of its kind typed before it; ``level_m`` and ``run_s``: of the cans; ``name`` is
    what the question calls it ("draw 2"). KeyError for an unknown zone, TypeError for another kind of entry.
    """
    asked = Asked(site, None if zone is None else site.zone(zone), level_m, run_s, tuple(before))
    checks: dict[type, tuple[str, Callable[[Asked, Any, str], list[Question]]]] = {
        HandLevel: ("reading", hand_level_questions),
        RestReading: ("reading", rest_questions),
        WetPlace: ("place", wet_questions),
        LineFlushed: ("line", line_questions),
        Draw: ("draw", draw_questions),
        Can: ("can", can_questions),
        TurnDone: ("turn", turn_questions),
        PourRead: ("reading", pour_questions),
    }
    if type(entry) not in checks:
        raise TypeError(f"no entry of a test: {type(entry).__name__}")
    word, check = checks[type(entry)]
    return tuple(check(asked, entry, name or f"{word} {len(before) + 1}"))


def questions(site: Site, record: TestRecord) -> tuple[Question, ...]:
    """What to ask of a whole record: of each entry, and of how they go together. None: it makes sense."""
    if record.zone is not None and record.zone not in {z.id for z in site.zones}:
        meant = hint(record.zone, [z.id for z in site.zones])
        return (Question("zone", True, f"There is no zone {record.zone!r}; {meant}"),)
    found: list[Question] = []
    if isinstance(record, SensorScale):
        found += _each(site, record, record.readings)
        found += _scale_whole(site, record)
    elif isinstance(record, LeakAtRest):
        found += _each(site, record, record.readings) + _rest_whole(record)
    elif isinstance(record, WetWalk):
        found += _level(site, record.level_m) + _each(site, record, record.places)
    elif isinstance(record, Flush):
        found += _level(site, record.level_m) + _each(site, record, record.lines)
    elif isinstance(record, PrimeTime):
        at = _level(site, record.level_m)
        found += at if any(q.refused for q in at) else at + _prime(site, record)
    elif isinstance(record, HeadFlow):
        found += water_questions(site, record.water_c, "water")
        found += _each(site, record, record.draws) + _flow_whole(record)
    elif isinstance(record, CatchCans):
        found += _cans(site, record)
    elif isinstance(record, Trim):
        found += _level(site, record.level_m) + _each(site, record, record.turns, level_m=record.level_m)
    elif isinstance(record, TravelTimes):
        found += _travel(site, record)
    elif isinstance(record, Poured):
        found += _each(site, record, record.pours) + _poured_whole(site, record)
    return tuple(found)


def _each(
    site: Site,
    record: TestRecord,
    entries: Sequence[Any],
    *,
    level_m: float | None = None,
    run_s: float | None = None,
) -> list[Question]:
    return [
        question
        for i, entry in enumerate(entries)
        for question in entry_questions(
            site, entry, zone=record.zone, before=entries[:i], level_m=level_m, run_s=run_s
        )
    ]


def _level(site: Site, level_m: float | None) -> list[Question]:
    return [] if level_m is None else level_questions(site, level_m, "level")


def _scale_whole(site: Site, record: SensorScale) -> list[Question]:
    if site.sensor is None:
        return [Question("sensor", True, "This garden has no level sensor to calibrate.")]
    levels = [r.level_m for r in record.readings]
    if max(levels) - min(levels) < LEVELS_APART_M:
        apart = show_height(LEVELS_APART_M, site.units)
        text = f"Levels less than {apart} apart tell the sensor's zero but no scale: is there no other level?"
        return [Question("readings", False, text)]
    return []


def _rest_whole(record: LeakAtRest) -> list[Question]:
    found = []
    lasted = (record.readings[-1].at - record.readings[0].at).total_seconds()
    if 0.0 < lasted < REST_LEAST_S:
        text = f"{show_duration(lasted)} of rest tell little of a leak; it takes 12 to 24 hours: end it now?"
        found.append(Question("readings", False, text))
    if record.rain_mm and not record.downpipe_off:
        text = "It rained and the roof ran into the barrels, which hides a leak: test again in dry weather?"
        found.append(Question("rain", False, text))
    return found


def _prime(site: Site, record: PrimeTime) -> list[Question]:
    zone = site.zone(record.zone)
    found = []
    if record.emitter is not None and record.emitter not in {e.id for e in zone.emitters}:
        meant = hint(record.emitter, [e.id for e in zone.emitters])
        text = f"Zone {zone.id} has no emitter {record.emitter!r}; {meant}"
        found.append(Question("emitter", True, text))
    share = 1.0 if record.emptied else zone.emptied_share
    worked = priming(zone_network(site, zone), record.level_m, share).fill_s
    far = not worked / PRIME_FACTOR <= record.prime_s <= worked * PRIME_FACTOR
    if worked > 0.0 and far and abs(record.prime_s - worked) > PRIME_SLACK_S:
        text = (
            f"{show_duration(record.prime_s)} to prime: by the drawn lines it is about "
            f"{show_duration(worked)}; is it right?"
        )
        found.append(Question("prime time", False, text))
    return found


def _flow_whole(record: HeadFlow) -> list[Question]:
    levels = [draw.level_m for draw in record.draws]
    if max(levels) - min(levels) >= LEVELS_APART_M:
        return []
    text = "All draws are at one level, which tells k but not x: draw again with the barrels lower?"
    return [Question("draws", False, text)]


def _cans(site: Site, record: CatchCans) -> list[Question]:
    zone = site.zone(record.zone)
    found = _level(site, record.level_m) + water_questions(site, record.water_c, "water")
    if record.level_end_m is not None:
        found += level_questions(site, record.level_end_m, "level at the end")
        if record.level_end_m > record.level_m + LEVEL_SD_M:
            text = "The level at the end is above that at the start: were they swapped, or did water run in?"
            found.append(Question("level at the end", True, text))
    if not record.measured:
        text = (
            "No can is measured: write 0 where one stood and stayed dry, or leave the test until it is done."
        )
        return [*found, Question("cans", True, text)]
    found += _each(site, record, record.cans, level_m=record.level_m, run_s=record.run_s)
    summed = _sum(site, record)
    # Of two questions about one level the narrower is enough.
    found += summed or _fall(site, record)
    return found + _left_out(zone, record)


def _sum(site: Site, record: CatchCans) -> list[Question]:
    """Cans that hold more than was drawn."""
    caught = sum(can.volume_l for can in record.cans if can.volume_l is not None)
    stage = stage_storage(site.tank)
    held = stage.volume_l(record.level_m)
    units = site.units
    if caught > held + 1000.0 * stage.area_m2(record.level_m) * LEVEL_SD_M:
        text = (
            f"The cans sum to {show_volume(caught, units)} and only {show_volume(held, units)} stood above "
            "the outlet: see whether millilitres were typed as litres."
        )
        return [Question("cans", True, text)]
    if record.drawn_l is not None:
        drawn, sd, how = record.drawn_l, 2.0 * CAN_SD_SHARE * record.drawn_l, "were drawn"
    elif record.level_end_m is not None:
        drawn = held - stage.volume_l(record.level_end_m)
        sd = 1000.0 * stage.area_m2(record.level_m) * LEVEL_SD_M * 2.0**0.5
        how = "left the barrels by their level"
    else:
        return []
    mends = "drawn" if record.drawn_l is not None else "level-end"
    over = caught - drawn
    if over <= SUM_SDS * (sd**2 + (2.0 * CAN_SD_SHARE * caught) ** 2) ** 0.5:
        return []
    text = (
        f"The cans sum to {show_volume(caught, units)} but {show_volume(drawn, units)} {how}: "
        "which of the two is wrong?"
    )
    return [Question("cans", over > SUM_REFUSED_SHARE * drawn, text, mends)]


def _fall(site: Site, record: CatchCans) -> list[Question]:
    """A level at the end that tells of far more or less water than was drawn; without that, than was caught,
    where every emitter had a can."""
    if record.level_end_m is None or record.level_end_m > record.level_m + LEVEL_SD_M:
        return []
    stage, units = stage_storage(site.tank), site.units
    fell = stage.volume_l(record.level_m) - stage.volume_l(record.level_end_m)
    given, how = record.drawn_l, "drawn"
    if given is None:
        volumes = {can.emitter: can.volume_l for can in record.cans}
        if any(volumes.get(e.id) is None for e in site.zone(record.zone).emitters):
            return []
        given, how = sum(v for v in volumes.values() if v is not None), "caught"
    error = 1000.0 * stage.area_m2(record.level_m) * FALL_LEVEL_M + FALL_SHARE * given
    if abs(fell - given) <= FALL_ERRORS * error:
        return []
    text = (
        f"From {show_height(record.level_m, units)} to {show_height(record.level_end_m, units)} "
        f"{show_volume(fell, units)} left the barrels, but {show_volume(given, units)} were {how}: is the "
        "level at the end right?"
    )
    return [Question("level at the end", False, text, "level-end")]


def _left_out(zone: Zone, record: CatchCans) -> list[Question]:
    with_can = {can.emitter for can in record.cans}
    without = [e.id for e in zone.emitters if e.id not in with_can]
    sampled = len(zone.emitters) > EVERY_CAN_BELOW and len(with_can) >= LEAST_SAMPLE
    if not without or sampled:
        return []
    shown = ", ".join(without[:6]) + (f" and {len(without) - 6} more" if len(without) > 6 else "")
    return [Question("cans", False, f"No can is given for {shown}: leave them out as not measured?")]


def _travel(site: Site, record: TravelTimes) -> list[Question]:
    zone = site.zone(record.zone)
    found = []
    for word, times in (("opening", record.opening_s), ("closing", record.closing_s)):
        for i, seconds in enumerate(times, 1):
            found += travel_questions(zone, word, seconds, f"{word} {i}")
        mean = sum(times) / len(times)
        if max(times) - min(times) > TRAVEL_SPREAD * mean:
            share = show_share((max(times) - min(times)) / mean)
            text = f"The {word} times differ by {share} of their mean: does the valve stick?"
            found.append(Question(word, False, text))
    return found


def _poured_whole(site: Site, record: Poured) -> list[Question]:
    pours = [Pour(p.added_l, p.level_m) for p in record.pours]
    try:
        fit = fit_poured(stage_storage(site.tank), pours, level_sd_m=LEVEL_SD_M)
    except ValueError as error:
        text = str(error)
        return [Question("readings", True, text[0].upper() + text[1:] + ".")]
    if not fit.doubtful:
        return []
    worst = max(fit.doubtful, key=lambda i: abs(fit.residuals_l[i]))
    off = show_volume(abs(fit.residuals_l[worst]), site.units)
    text = f"Reading {worst + 1} lies {off} off the others: is its level, or what was poured, right?"
    return [Question(f"reading {worst + 1}", False, text)]
