"""Many small gardens as a fitter keeps them: a folder each, with its site file and a fetched copy of its
store. Filled row by row: what stands in a store is what the test says."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import Alert, AlertKind, RaiseAlert, RecordDay, RecordReading, RootZoneRecord
from scheduler.control.events import NodeHeard
from scheduler.control.orders import ValveStatus
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.site.examples import example_site, example_text
from scheduler.site.model import Site
from scheduler.site.reading import read_site
from scheduler.store.store import Store, store_url

WORDS = ("Elm", "Oak", "Ash", "Birch", "Hazel")


NOBODY = "nobody"


@cache
def _empty_store() -> Path:
    """Made once: the migrations take a second."""
    path = Path(tempfile.mkdtemp(prefix="many-gardens-")) / "empty.db"
    Store(store_url(path), NOBODY).close()
    return path


@cache
def _well_store(seen: datetime) -> Path:
    """Filled once for each hour that is asked for, for a garden that does not matter."""
    path = Path(tempfile.mkdtemp(prefix="many-gardens-")) / "well.db"
    shutil.copy(_empty_store(), path)
    _all_well(OneOfMany(path, replace(example_site("five-drums"), id=NOBODY), path), seen)
    return path


def _made_its(path: Path, ident: str) -> None:
    """Every row of the copied store becomes that garden's."""
    with closing(sqlite3.connect(path)) as database:
        tables = [r[0] for r in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for table in tables:
            if any(c[1] == "site" for c in database.execute(f"PRAGMA table_info({table})")):
                database.execute(f"UPDATE {table} SET site = ?", (ident,))
        database.commit()


@dataclass
class OneOfMany:
    """One garden: its folder's files, and a hand that writes into its store."""

    file: Path
    site: Site
    path: Path

    def store(self) -> Store:
        return Store(store_url(self.path), self.site.id)

    def alert(self, kind: AlertKind, at: datetime, subject: str = "", *, urgent: bool = False) -> None:
        alert = Alert(kind, subject, f"{self.site.name}: told of {kind}.", "Go and look.", urgent, at)
        with self.store() as store:
            store.write([RaiseAlert(alert)])

    def roots(self, now: datetime, depletion_mm: Mapping[str, float], stress: float = 0.0) -> None:
        """Yesterday's balance of every plant; those not named are full."""
        day = now.astimezone(self.site.place.timezone).date() - timedelta(days=1)
        zones = tuple(
            RootZoneRecord(p.id, day, depletion_mm.get(p.id, 0.0), 1.0, 5.0, "test", 0.0, 1.0, stress)
            for p in self.site.plants
        )
        with self.store() as store:
            store.write([RecordDay(DayWeather(day, 12.0, 25.0, 0.0), zones)])


def one_of_many(folder: Path, number: int, seen: datetime | None) -> OneOfMany:
    """``seen``: when all was last well; None: nothing was ever written."""
    ident = f"garden-{number:02}"
    name = f"{WORDS[number % len(WORDS)]} {number}"
    text = example_text("five-drums")
    text = text.replace('id = "five-drums"', f'id = "{ident}"')
    text = text.replace('name = "Five drums behind the shed"', f'name = "{name}"')
    file = folder / ident / "site.toml"
    file.parent.mkdir(parents=True)
    file.write_text(text, encoding="utf-8")
    garden = OneOfMany(file, read_site(file), file.with_name(f"{ident}.db"))
    shutil.copy(_empty_store() if seen is None else _well_store(seen), garden.path)
    _made_its(garden.path, ident)
    return garden


def _all_well(garden: OneOfMany, seen: datetime) -> None:
    site = garden.site
    heard = NodeHeard(
        node=site.node.id,
        session="aaaaaaaaaaaaaaaa",
        uptime_ms=1000,
        last_sequence=0,
        valves=tuple(ValveStatus(z.valve.channel, "closed") for z in site.zones),
        supply_mv=12600,
    )
    belief = LevelBelief("good", seen, 0.5, 0.49, 0.51)
    with garden.store() as store:
        store.flush([RecordReading(LevelReading(seen, (5000,), 20.0), belief)], [(heard, seen)])
        store.save_outlook(Outlook((), "test", seen))
    garden.roots(seen, {})
