"""Figures of the page as its owner speaks of them: with a unit, and only the digits that are known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduler.planning.ahead import STORM_DAYS
from scheduler.report.status import BY_HAND
from scheduler.report.stopped import stopped_words
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import give_or_take, show_duration, show_length, show_volume, show_whole_volume
from scheduler.supply.stage import stage_storage
from scheduler.web.facts import Facts, LastRun
from scheduler.web.plant_rows import plant_reach


@dataclass(frozen=True, slots=True)
class Water:
    """What is in the barrels, in words."""

    usable: str
    spread: str  # on either side of it, with its sign; empty: not known
    total: str
    reserve: str
    level: str
    how: str  # "read" by the sensor, or measured by hand
    age: str
    doubtful: bool


def water(facts: Facts) -> Water | None:
    """None: the level is not known."""
    status = facts.status
    if status is None or status.level_m is None:
        return None
    site, units = facts.site, facts.site.units
    half_l = _half_l(facts)
    spread = give_or_take(_known_volume(half_l, half_l, units)) if half_l is not None else ""
    half_m = 0.5 * ((status.level_high_m or status.level_m) - (status.level_low_m or status.level_m))
    level = give_or_take(show_length(half_m, units), show_length(status.level_m, units))
    return Water(
        usable=usable_words(facts),
        spread=spread,
        total=_known_volume(status.total_l, half_l, units),
        reserve=_known_volume(min(site.reserve.volume_l, status.total_l or 0.0), half_l, units),
        level=f"{level} above the outlet",
        how=BY_HAND if status.level_by_hand else "read",
        age=age_words(facts.now, status.level_at),
        doubtful=status.level_quality == "doubtful",
    )


def usable_words(facts: Facts) -> str:
    """What can be used, to the digits that are known."""
    usable_l = facts.status.usable_l if facts.status is not None else None
    return _known_volume(usable_l, _half_l(facts), facts.site.units)


def _known_volume(litres: float | None, half_l: float | None, units: DisplayUnits) -> str:
    """Whole litres where the level is not known better."""
    coarse = half_l is not None and half_l >= 1.0
    return show_whole_volume(litres, units) if coarse else show_volume(litres, units)


def _half_l(facts: Facts) -> float | None:
    """Litres on either side of what there is, by the level's own error. None: not known."""
    status = facts.status
    if status is None or status.level_low_m is None or status.level_high_m is None:
        return None
    stage = stage_storage(facts.site.tank)
    return 0.5 * (stage.volume_l(status.level_high_m) - stage.volume_l(max(0.0, status.level_low_m)))


def age_words(now: datetime, at: datetime | None) -> str:
    if at is None:
        return "at a time not known"
    age_s = max(0.0, (now - at).total_seconds())
    return "just now" if age_s < 60.0 else f"{show_duration(age_s)} ago"


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long the water lasts: dates of the early, middle and late case, or beyond the horizon."""

    span: str
    middle: str
    counted: str  # to which day it is counted, where that is not plain; else empty
    more: tuple[str, ...]  # what to top up
    old: str  # when the plan behind it is not of today; else empty


def lasting(facts: Facts) -> Lasting | None:
    """None: not known, for want of a plan or of a level."""
    plan, status = facts.plan, facts.status
    ahead = facts.foreseen.ahead if facts.foreseen is not None else None
    if status is None or status.level_m is None:
        return None
    if ahead is not None:
        (early, middle, late), first, horizon = ahead.days_left, facts.today, ahead.ways.horizon_days
    elif plan is not None and plan.store.usable_l is not None:
        store = plan.store
        early, middle, late = store.days_left_early, store.days_left_middle, store.days_left_late
        first, horizon = plan.day, store.horizon_days
    else:
        return None

    def day(left: int | None) -> str:
        return f"beyond {first + timedelta(days=horizon):%d %B}" if left is None else _day(first, left)

    def days(left: int | None) -> str:
        return f"over {horizon}" if left is None else f"{left}"

    span = f"{days(early)} days" if days(early) == days(late) else f"{days(early)} to {days(late)} days"
    words = f"probably {'' if middle is None else 'until about '}{day(middle)}"
    if early is not None and early != middle:
        words += f"; in one of ten ways the weather may go, only until {day(early)}"
    span = "1 day" if span == "1 days" else span
    if middle == 0 and status.stopped:
        span = "not for all plants"
        words = "; ".join(f"not watered {stopped_words(facts.site, z, facts.today)}" for z in status.stopped)
    elif middle == 0:
        later = f"in up to {late} days" if late is not None else f"not for {horizon} days"
        span = "short today" if early == late else f"short today, or {later}"
        words = "a plant that is due goes without today"
    old = f"as planned on {first:%A %d %B}" if first != facts.today else ""
    return Lasting(
        span, words, _counted(facts, of_days=middle != 0 or not status.stopped), _to_do_about_it(facts), old
    )


def _counted(facts: Facts, *, of_days: bool) -> str:
    """Days are counted to the first plant that goes without, and a zone whose water does not reach all its
    plants is not watered: then it is short though litres are left."""
    status = facts.status
    out = zones_out_of_reach(facts)
    if status is None or not status.usable_l or not out:
        return ""
    said = ""
    if of_days:
        which = "; ".join(
            f"at this level the water does not reach {', '.join(names)}, so {zone} is not watered"
            for zone, names in out.items()
        )
        said = f"Days are counted to the first plant that goes without: {which}. "
    if len(out) == len(facts.site.zones):
        return said.rstrip()
    return f"{said}The {usable_words(facts)} that can be used are left for the others."


def zones_out_of_reach(facts: Facts) -> dict[str, list[str]]:
    """Zones of which no run is to come since the water does not reach each of their plants at this level,
    with those plants, by their names."""
    found: dict[str, list[str]] = {}
    for plant in facts.site.plants:
        zone = facts.site.zone_of(plant.id)
        if plant_reach(facts, plant.id) == "dry" and not any(r.zone == zone.id for r in facts.coming):
            found.setdefault(zone.name, []).append(plant.name)
    return found


def _to_do_about_it(facts: Facts) -> tuple[str, ...]:
    """What to top up for the next weeks; said only where it matters."""
    if facts.foreseen is None:
        return ()
    last, top_up_l = facts.foreseen.through, facts.foreseen.top_up_l
    units = facts.site.units
    found = []
    if top_up_l is None:
        found.append(f"Even full barrels do not last through {last:%a %d %B} in nine of ten ways.")
    elif top_up_l > 0.0:
        found.append(
            f"To last through {last:%a %d %B} in nine of ten ways, top up "
            f"{show_whole_volume(top_up_l, units)} now: through an air gap, never joined to the mains. "
            "Local rules come first."
        )
    return tuple(found)


def runs_over(facts: Facts) -> str:
    """Rain that the barrels will not hold; empty: none that is likely."""
    over_l = facts.foreseen.ahead.runs_over_l() if facts.foreseen is not None else 0.0
    if over_l <= 0.0:
        return ""
    litres = show_whole_volume(over_l, facts.site.units)
    return f"Rain is to come: {litres} or more are likely to run over in the next {STORM_DAYS} days."


def _day(first: date, left: int) -> str:
    return f"{first + timedelta(days=left):%a %d %B}"


@dataclass(frozen=True, slots=True)
class Delivered:
    zone: str
    ended: str
    wanted: str
    booked: str
    between: str
    measured: str  # empty: the level could not say
    share: float | None
    note: str


def delivered(facts: Facts) -> Delivered | None:
    """Wanted against given of the newest run; None: none within the last weeks."""
    last: LastRun | None = facts.last
    if last is None:
        return None
    units, booking = facts.site.units, last.booking
    measured = ""
    if last.measured is not None:
        measured = show_volume(last.measured.measured_l, units)
        if last.measured.measured_sd_l is not None:
            measured = give_or_take(show_volume(2.0 * last.measured.measured_sd_l, units), measured)
    wanted_l = last.intent.volume_l if last.intent is not None else None
    return Delivered(
        zone=booking.zone,
        ended=age_words(facts.now, booking.at),
        wanted=show_volume(wanted_l, units),
        booked=show_volume(booking.volume_l, units),
        between=f"{show_volume(booking.volume_low_l, units)} to {show_volume(booking.volume_high_l, units)}",
        measured=measured,
        share=booking.volume_l / wanted_l if wanted_l else None,
        note=sentence(booking.note),
    )


def zone_name(site: Site, zone_id: str) -> str:
    return next((z.name for z in site.zones if z.id == zone_id), zone_id)


def sentence(note: str) -> str:
    """A note of the books, which has neither capital nor full stop, between other sentences."""
    begun = note[:1].upper() + note[1:]
    return f"{begun}." if begun and not begun.endswith((".", "!", "?")) else begun
