"""The last good outlook on disk, so that a restart or a dead network does not leave the garden without."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from scheduler.agronomy.weather import Borrowed, DayWeather, Outlook, merged
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.possible import RANGES, possible_outlook
from scheduler.weather.service import WeatherService

FILE_NAME = "outlook.v1.json"
MAX_BYTES = 1_000_000
# Days before today that are kept although the service no longer tells them.
KEEP_PAST_DAYS = 60
_OUTLOOK = TypeAdapter(Outlook)


class CachedWeather:
    """A WeatherService that keeps what another one said.

    Within ``fresh_for`` of the last fetch it answers from disk and asks nobody. When the service fails it
    gives the last good outlook under its true ``fetched_at``, and tells why through ``say``; the caller
    judges the age. It raises WeatherUnavailable when there is nothing at all.
    """

    def __init__(
        self,
        service: WeatherService,
        folder: Path | str,
        *,
        fresh_for: timedelta = timedelta(),
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.name = service.name
        self._service = service
        self._folder = Path(folder)
        self._fresh_for = fresh_for
        self._say = say
        self._kept = self._load()

    @property
    def last_good(self) -> Outlook | None:
        return self._kept

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        """As WeatherService. Past days that only an earlier fetch told are kept."""
        found = self._fetch(place, today=today, past_days=past_days, days=days, now=now)
        return possible_outlook(found, place)

    def _fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        kept = self._kept
        if kept is not None and self._is_fresh(kept, today, now):
            return kept
        try:
            new = self._service.fetch(place, today=today, past_days=past_days, days=days, now=now)
        except WeatherUnavailable as error:
            if kept is None:
                raise
            self._say(f"{error}; using the outlook of {kept.fetched_at:%Y-%m-%d %H:%M} UTC")
            return kept
        self._kept = _with_past(kept, new, today, place)
        self._save(self._kept)
        return self._kept

    def _is_fresh(self, kept: Outlook, today: date, now: datetime) -> bool:
        """A stamp in the future is from a wrong clock: never fresh."""
        return timedelta() <= now - kept.fetched_at < self._fresh_for and kept.on(today) is not None

    @property
    def _path(self) -> Path:
        return self._folder / FILE_NAME

    def _load(self) -> Outlook | None:
        """What an earlier life kept. A file that cannot be read is set aside, and that is said."""
        try:
            if self._path.stat().st_size > MAX_BYTES:
                raise ValueError(f"it is larger than {MAX_BYTES} bytes")
            outlook = _OUTLOOK.validate_json(self._path.read_bytes())
            _check(outlook)
        except FileNotFoundError:
            return None
        except OSError as error:
            self._say(
                f"the kept weather {self._path} cannot be read ({error.strerror}); a new one is fetched"
            )
            return None
        except (ValidationError, ValueError) as error:
            self._set_aside("it is damaged" if isinstance(error, ValidationError) else str(error))
            return None
        names = getattr(self._service, "sources", (self._service.name,))
        return outlook if outlook.source in names else None

    def _set_aside(self, why: str) -> None:
        aside = self._path.with_suffix(".damaged")
        try:
            self._path.replace(aside)
        except OSError as error:
            self._say(f"the kept weather {self._path} is of no use: {why}; not moved away ({error.strerror})")
            return
        self._say(f"the kept weather was of no use: {why}; set aside as {aside}, a new one is fetched")

    def _save(self, outlook: Outlook) -> None:
        """Whole or not at all, also across a power cut. A full disk costs the copy, not the outlook."""
        draft = self._path.with_suffix(".draft")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with draft.open("wb") as file:
                file.write(_OUTLOOK.dump_json(outlook))
                file.flush()
                os.fsync(file.fileno())
            draft.replace(self._path)
            _sync_folder(self._folder)
        except OSError as error:
            self._say(f"the weather could not be kept in {self._path} ({error.strerror}); check the disk")


def _sync_folder(folder: Path) -> None:
    """Makes the rename itself durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _check(outlook: Outlook) -> None:
    days = [d.day for d in outlook.days]
    if outlook.fetched_at.tzinfo is None or days != sorted(set(days)):
        raise ValueError("its days are out of order or its time has no zone")


def _with_past(kept: Outlook | None, new: Outlook, today: date, place: GardenPlace) -> Outlook:
    """The new outlook, with earlier days from the kept one where the new one does not reach back.

    Only days that were over when they were fetched: what was a forecast then is not known now.
    """
    if kept is None or not new.days:
        return new
    fetched = kept.fetched_at.astimezone(place.timezone).date()
    oldest = today - timedelta(days=KEEP_PAST_DAYS)
    older = [d for d in kept.days if oldest <= d.day < min(new.days[0].day, fetched)]
    return replace(new, days=merged(older, new.days), borrowed=(*new.borrowed, *_past_marks(kept, older)))


def _past_marks(kept: Outlook, older: list[DayWeather]) -> tuple[Borrowed, ...]:
    """Kept days are of the earlier fetch, by its source and at its time."""
    marks: dict[tuple[str, datetime], list[tuple[date, str]]] = {}
    for day in older:
        for name in RANGES:
            if getattr(day, name) is not None:
                marks.setdefault(kept.origin(day.day, name), []).append((day.day, name))
    credits = {(b.source, b.fetched_at): b.attribution for b in kept.borrowed}
    return tuple(
        Borrowed(source, at, tuple(values), credits.get((source, at), kept.attribution))
        for (source, at), values in marks.items()
    )
