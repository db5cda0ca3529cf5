"""Harm times time, by which a round is sorted: plant-days.

One plant-day is one plant that for one day can draw nothing of what it could use; half of it on two days is
one too. It is the stress of FAO-56 (1 - Ks, Eq 84), added up over plants and days: what was lost in the
last week, by the balances that were kept, and what will be lost within the next week if nobody comes. For
the time to come each plant's root zone is carried on by the same balance with the last known evaporation and
the rain that is forecast: pots are soon harmed, a hedge in deep soil late.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.agronomy.et0 import ReferenceEt
from scheduler.agronomy.need import RootZone, advance_day
from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import RootZoneRecord
from scheduler.site.model import Plant, Site

# A round looks a week back and a week ahead (our choice: a fitter passes about weekly in summer).
WEEK_DAYS = 7
# A garden silent for longer than this says no more than one silent for so long.
SILENT_MOST_DAYS = 60

# What part of the watering is lost while a trouble stands. All of it where the controller opens nothing. An
# alarm of a run short or over says itself by how much (under 70 %, over 130 %). The others bring less harm
# than that, by our own judgement, without a source; they are there to put a garden before one without any.
# Among those are refused orders of strangers ("order_refused"): our own go on.
NOTHING_IS_OPENED = 1.0
SHARES_LOST: Mapping[str, float] = {
    "valve_not_shut": NOTHING_IS_OPENED,
    "store_failed": NOTHING_IS_OPENED,
    "node_silent": NOTHING_IS_OPENED,
    "clock_unknown": NOTHING_IS_OPENED,
    "level_unknown": NOTHING_IS_OPENED,
    "order_unreached": NOTHING_IS_OPENED,
    "order_declined": NOTHING_IS_OPENED,  # also by a node whose day's share is given: that is not told apart
    "stopped": NOTHING_IS_OPENED,
    "near_empty": NOTHING_IS_OPENED,  # from the day on which the water is used up
    "runs_out": NOTHING_IS_OPENED,
    "out_of_reach": NOTHING_IS_OPENED,  # in its zone
    "run_short": 0.3,
    "run_over": 0.3,
}
SMALL_SHARE = 0.1
RUNNING_OUT = ("near_empty", "runs_out", "out_of_reach")


@dataclass(frozen=True, slots=True)
class Dry:
    """Each plant's lost days if nothing waters it from now on: ``lost[plant][n]`` within n days."""

    lost: Mapping[str, tuple[float, ...]]

    def within(self, plants: Sequence[str], days: int) -> float:
        """Plant-days of those plants; a plant without a known root zone adds nothing."""
        return sum(self.lost[p][min(days, len(self.lost[p]) - 1)] for p in plants if p in self.lost)


def dry_from(
    site: Site,
    newest: Mapping[str, RootZoneRecord],
    depletion_mm: Mapping[str, float],
    rain_mm: Mapping[date, float | None],
    first: date,
    days: int = WEEK_DAYS,
) -> Dry:
    """Carry every root zone on from the morning of ``first`` without water. ``newest``: the last balances,
    of which the evaporation goes on; rain that is not known credits nothing."""
    return Dry(
        {
            p.id: _lost(p, newest[p.id], depletion_mm[p.id], rain_mm, first, days)
            for p in site.plants
            if p.id in newest and p.id in depletion_mm
        }
    )


def _lost(
    plant: Plant,
    record: RootZoneRecord,
    depletion_mm: float,
    rain_mm: Mapping[date, float | None],
    first: date,
    days: int,
) -> tuple[float, ...]:
    et0 = ReferenceEt(record.et0_mm, record.et0_method, ())
    zone, lost = RootZone(plant.id, depletion_mm, None), [0.0]
    for n in range(days):
        day = first + timedelta(days=n)
        done = advance_day(plant, zone, DayWeather(day, rain_mm=rain_mm.get(day)), et0, 0.0)
        zone = done.root_zone
        lost.append(lost[-1] + done.stress)
    return tuple(lost)


def most_lost(
    site: Site, newest: Mapping[str, RootZoneRecord], recorded: Sequence[RootZoneRecord], today: date
) -> float | None:
    """Plant-days of the week before ``today`` and the week from then on, at most, in a garden that is silent:
    of its last days by the balances that were ``recorded``, after them as if nothing was watered and nothing
    rained. None: nothing is known of its roots."""
    if not newest:
        return None
    begins = today - timedelta(days=WEEK_DAYS)
    first = max(r.day for r in newest.values()) + timedelta(days=1)
    days = min(SILENT_MOST_DAYS, (today - first).days + WEEK_DAYS)
    before = min(days, max(0, days - 2 * WEEK_DAYS))
    dry = dry_from(site, newest, {p: r.depletion_mm for p, r in newest.items()}, {}, first, days)
    plants = list(dry.lost)
    lost = sum(r.stress for r in recorded if begins <= r.day < first)
    return round(lost + dry.within(plants, days) - dry.within(plants, before), 1)


def share_lost(kind: str) -> float:
    """The part of the watering that is lost while a trouble of that kind stands."""
    return SHARES_LOST.get(kind, SMALL_SHARE)


def plants_of(site: Site, subject: str) -> tuple[str, ...]:
    """Whom a trouble harms: the plants of its zone, or all."""
    in_zone = next((z for z in site.zones if z.id == subject), None)
    if in_zone is None:
        return tuple(p.id for p in site.plants)
    return tuple(dict.fromkeys(e.plant for e in in_zone.emitters if e.plant is not None))


def days_without(kind: str, days_left: int | None) -> int:
    """Of the coming week those on which the trouble keeps water away."""
    if kind not in RUNNING_OUT or days_left is None:
        return WEEK_DAYS
    return max(0, WEEK_DAYS - days_left)
