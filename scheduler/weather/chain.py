"""Sources of weather in order: the first that answers tells it, the next fill what it leaves open."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.agronomy.weather import Borrowed, DayWeather, MeasuredRain, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.service import WeatherService

# Figures that belong together: they are taken from one source or not at all.
GROUPS: tuple[tuple[str, ...], ...] = (
    ("tmin_c", "tmax_c"),
    ("rain_mm",),
    ("rain_probability",),
    ("dewpoint_c", "rh_min_pct", "rh_max_pct", "rh_mean_pct"),
    ("wind_ms", "wind_height_m"),
    ("solar_mj_m2",),
)
# What a further source is asked for; the rest is taken along where it is asked anyway.
NEEDED: tuple[tuple[str, ...], ...] = GROUPS[:2]


class ChainedWeather:
    """A WeatherService made of others. Every figure keeps its source and age (``Outlook.origin``)."""

    def __init__(self, services: Sequence[WeatherService], *, say: Callable[[str], object] = lambda _: None):
        """``say`` hears which source failed and why."""
        if not services:
            raise ValueError("a chain needs at least one source")
        self._services = tuple(services)
        self._say = say
        self.name = ", then ".join(s.name for s in services)

    @property
    def sources(self) -> tuple[str, ...]:
        """Names that an outlook of this chain may bear."""
        return tuple(s.name for s in self._services)

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. Asks no further source once temperatures and rain of all days are known."""
        wanted = [today + timedelta(days=n) for n in range(-past_days, days)]
        found: Outlook | None = None
        troubles = []
        for service in self._services:
            try:
                told = service.fetch(place, today=today, past_days=past_days, days=days, now=now)
            except WeatherUnavailable as error:
                troubles.append(f"{service.name}: {error}")
                continue
            found = told if found is None else filled(found, told)
            if _complete(found, wanted):
                break
        if found is None:
            raise WeatherUnavailable("no source of weather answers: " + "; ".join(troubles))
        for trouble in troubles:
            self._say(trouble)
        return found


def filled(first: Outlook, other: Outlook) -> Outlook:
    """``first`` with the groups of figures that it does not know taken from ``other``, and marked so."""
    theirs = {d.day: d for d in other.days}
    ours = {d.day: d for d in first.days}
    taken: dict[tuple[str, datetime, str], list[tuple[date, str]]] = {}
    credits = {(b.source, b.fetched_at): b.attribution for b in other.borrowed}
    days = []
    for day in sorted(ours.keys() | theirs.keys()):
        mine, its = ours.get(day, DayWeather(day)), theirs.get(day)
        changes = _missing(mine, its) if its is not None else {}
        for name in changes:
            source, at = other.origin(day, name)
            credit = credits.get((source, at), other.attribution)
            taken.setdefault((source, at, credit), []).append((day, name))
        days.append(_with(mine, changes))
    borrowed = tuple(Borrowed(s, at, tuple(v), credit) for (s, at, credit), v in taken.items())
    return replace(first, days=tuple(days), borrowed=first.borrowed + borrowed)


def with_measured_rain(outlook: Outlook, measured: Iterable[MeasuredRain], today: date) -> Outlook:
    """The outlook with rain of days that are over as the garden's own gauge or people have it.

    Typed rain or a gauge's goes before a service's, which is of a grid cell; of two readings of one day the
    later one counts. Today is not over: its rain stays the service's.
    """
    latest = {m.day: m for m in sorted(measured, key=lambda m: m.at) if m.day < today}
    days = {d.day: d for d in outlook.days} | {
        day: DayWeather(day) for day in latest if outlook.on(day) is None
    }
    told = tuple(
        replace(d, rain_mm=latest[d.day].rain_mm) if d.day in latest else d
        for d in sorted(days.values(), key=lambda d: d.day)
    )
    kept = tuple(_without(b, {(day, "rain_mm") for day in latest}) for b in outlook.borrowed)
    own = tuple(Borrowed(m.source, m.at, ((m.day, "rain_mm"),)) for _, m in sorted(latest.items()))
    return replace(outlook, days=told, borrowed=tuple(b for b in kept if b.values) + own)


def _complete(outlook: Outlook, wanted: Iterable[date]) -> bool:
    by_day = {d.day: d for d in outlook.days}
    return all(
        day in by_day and all(getattr(by_day[day], name) is not None for group in NEEDED for name in group)
        for day in wanted
    )


def _missing(mine: DayWeather, its: DayWeather) -> dict[str, float]:
    """Figures of whole groups that ``mine`` does not know in full and ``its`` knows better."""
    changes: dict[str, float] = {}
    for group in GROUPS:
        # The lead figure decides: a height alone is no wind. A pair needs both.
        lead = group[:1] if group[0] == "wind_ms" else group
        known = [getattr(mine, n) is not None for n in lead]
        told = [getattr(its, n) is not None for n in lead]
        pair_broken = group[0] == "tmin_c" and not all(known) and all(told)
        if pair_broken or (not any(known) and any(told)):
            changes |= {n: getattr(its, n) for n in group if getattr(its, n) is not None}
    return changes


def _with(day: DayWeather, changes: dict[str, float]) -> DayWeather:
    return replace(day, **changes) if changes else day  # type: ignore[arg-type]


def _without(borrowed: Borrowed, values: set[tuple[date, str]]) -> Borrowed:
    return replace(borrowed, values=tuple(v for v in borrowed.values if v not in values))
