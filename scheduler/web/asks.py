"""What a person may tell or ask here, as a table: each row reads a form into one request.

A new kind of request is a new row (and a block of fields in ``templates/tell.html``).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from scheduler.control.alarms import RULES
from scheduler.control.care import BY_ID
from scheduler.control.events import RequestKind
from scheduler.control.spans import Span
from scheduler.planning.choices import WAYS
from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.quantities import parse
from scheduler.supply.stage import stage_storage
from scheduler.supply.told_level import refused_level

# What a bare number in a field means: the owner's units, which stand beside the field.
UNITS: Mapping[DisplayUnits, Mapping[str, str]] = {
    "metric": {"volume": "L", "level": "cm", "rain": "mm"},
    "us": {"volume": "gal", "level": "in", "rain": "in"},
}
_BARE = re.compile(r"[+-]?\d+([.,]\d+)?")


@dataclass(frozen=True, slots=True)
class Filled:
    """The fields of a form as they came."""

    subject: str = ""
    amount: str = ""
    day: str = ""
    until: str = ""
    back: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    kind: RequestKind
    subject: str | None = None
    amount: float | None = None


Reader = Callable[[Site, Filled, datetime], Wanted]


def _again(_site: Site, _filled: Filled, _now: datetime) -> Wanted:
    return Wanted("resume")


def _water(site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, [z.id for z in site.zones] + [p.id for p in site.plants], "zone or plant")
    return Wanted("water", filled.subject, _volume_l(site, filled.amount))


def _gave(site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, [p.id for p in site.plants], "plant")
    litres = _volume_l(site, filled.amount)
    return Wanted("gave", filled.subject, -litres if filled.back else litres)


def _took(site: Site, filled: Filled, _now: datetime) -> Wanted:
    litres = _volume_l(site, filled.amount)
    return Wanted("took", None, -litres if filled.back else litres)


def _topped_up(site: Site, filled: Filled, _now: datetime) -> Wanted:
    litres = _volume_l(site, filled.amount)
    return Wanted("topped_up", None, -litres if filled.back else litres)


def _measured(site: Site, filled: Filled, _now: datetime) -> Wanted:
    level_m = _quantity(site, filled.amount, "level")
    if level_m < 0.0:
        raise UsageError(f"Read {filled.amount!r}; the height is counted from the outlet upwards, 0 or more.")
    refused = refused_level(level_m, stage_storage(site.tank).brim_level_m, site.units)
    if refused is not None:
        raise UsageError(refused)
    return Wanted("measured", None, level_m)


def _rained(site: Site, filled: Filled, now: datetime) -> Wanted:
    rain_mm = 1000.0 * _quantity(site, filled.amount, "rain")
    if rain_mm < 0.0:
        raise UsageError(f"Read {filled.amount!r}; rain is 0 or more.")
    day = _date(filled.day) if filled.day else now.astimezone(site.place.timezone).date()
    return Wanted("rained", day.isoformat(), rain_mm)


def _hold(site: Site, filled: Filled, now: datetime) -> Wanted:
    zone = filled.subject or None
    if zone is not None:
        _one_of(zone, [z.id for z in site.zones], "zone")
    if filled.back:
        return Wanted("hold", zone, 0.0)
    if not filled.day:
        raise UsageError("Say until which day to hold.")
    ends = datetime.combine(_date(filled.day), time(), tzinfo=site.place.timezone).astimezone(UTC)
    if ends <= now:
        raise UsageError(f"Read {filled.day}; that day has begun already, so there is nothing to hold.")
    return Wanted("hold", zone, (ends - now) / timedelta(hours=1))


def _rank(site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, [p.id for p in site.plants], "plant")
    if filled.back:
        return Wanted("rank", filled.subject, None)
    if not filled.amount.strip().isdecimal():
        raise UsageError(f"Read {filled.amount!r}; a rank is a whole number, 1 is watered first.")
    return Wanted("rank", filled.subject, float(int(filled.amount)))


def _ration(_site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, list(WAYS), "way")
    return Wanted("ration", filled.subject)


def _reserve(_site: Site, filled: Filled, _now: datetime) -> Wanted:
    return Wanted("reserve", None if filled.back else "released")


def _winter(site: Site, filled: Filled, now: datetime) -> Wanted:
    if filled.back:
        return Wanted("winter")
    first = _date(filled.day) if filled.day else now.astimezone(site.place.timezone).date()
    return Wanted("winter", str(Span(first, _date(filled.until) if filled.until else None)))


def _away(_site: Site, filled: Filled, _now: datetime) -> Wanted:
    if filled.back:
        return Wanted("away")
    if not filled.day or not filled.until:
        raise UsageError("Say both the first and the last day.")
    return Wanted("away", str(Span(_date(filled.day), _date(filled.until))))


def _care(_site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, list(BY_ID), "task")
    return Wanted("care", f"{filled.subject} {_date(filled.day)}" if filled.day else filled.subject)


def _quiet(_site: Site, filled: Filled, _now: datetime) -> Wanted:
    _one_of(filled.subject, [k for k, rule in RULES.items() if not rule.urgent], "message that may wait")
    if filled.back:
        return Wanted("quiet", filled.subject)
    if not filled.day:
        raise UsageError("Say before which day it is not to be sent.")
    return Wanted("quiet", f"{filled.subject} {_date(filled.day)}")


ASKS: Mapping[str, Reader] = {
    "again": _again,
    "water": _water,
    "hold": _hold,
    "measured": _measured,
    "took": _took,
    "gave": _gave,
    "topped-up": _topped_up,
    "rained": _rained,
    "rank": _rank,
    "ration": _ration,
    "reserve": _reserve,
    "winter": _winter,
    "away": _away,
    "care": _care,
    "quiet": _quiet,
}


def _one_of(read: str, known: list[str], what: str) -> None:
    if read not in known:
        raise UsageError(f"There is no {what} {read!r}; there are {', '.join(known)}.")


def _quantity(site: Site, text: str, what: str) -> float:
    """SI of an amount; a bare number is in the unit that stands beside the field."""
    plain = text.strip()
    if _BARE.fullmatch(plain):
        plain = f"{plain.replace(',', '.')} {UNITS[site.units][what]}"
    return parse(plain, "volume" if what == "volume" else "length")


def _volume_l(site: Site, text: str) -> float:
    litres = _quantity(site, text, "volume")
    if litres <= 0.0:
        raise UsageError(f"Read {text!r}; an amount is more than nothing.")
    return litres


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"Read {text!r} as the day; write it as 2031-07-01.") from None
