"""The store of one garden: what must outlive a power cut, and what people ask about afterwards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import (
    Alert,
    Booking,
    Intent,
    Record,
    RecordAnswer,
    RecordCalibration,
    RecordChoice,
    RecordHandWater,
    RecordHold,
    RecordLearning,
    RecordReading,
    RecordStop,
    RecordWaterDay,
    RootZoneRecord,
)
from scheduler.control.events import NodeHeard, Request, RequestKind
from scheduler.planning.plan import Plan
from scheduler.site.errors import StoreError
from scheduler.store import asking, asking_people, opening, pruning
from scheduler.store import writing as rows
from scheduler.store.asking import MeasuredRun, NodeSeen
from scheduler.store.asking_people import AskedRequest, RaisedAlert, Telling
from scheduler.store.changes import ChangeWatch
from scheduler.store.engine import BUSY_TIMEOUT_MS, make_engine, reading, sqlite_path, writing

if TYPE_CHECKING:
    from scheduler.control.state import Saved
    from scheduler.store.tested import KeptTest
    from scheduler.survey.tests_done import SiteMark, TestRecord

__all__ = ["AskedRequest", "MeasuredRun", "NodeSeen", "RaisedAlert", "Store", "Telling"]

# Backups kept beside the store.
BACKUPS_KEPT = 7


class Store:
    """One garden's rows in a database.

    ``Store(url, site_id)`` is for the service: it makes a new store at the first start, refuses a damaged
    or lost one and brings an older one up to date. ``Store(url, site_id, service=False)`` is for commands
    and the page: the store must be there. Every method raises StoreError, in plain words, and nothing else
    of the database. Safe to use from several threads and processes.
    """

    def __init__(
        self, url: str, site_id: str, *, service: bool = True, busy_timeout_ms: int = BUSY_TIMEOUT_MS
    ) -> None:
        self.url = url
        self.site_id = site_id
        self._engine = make_engine(url, busy_timeout_ms=busy_timeout_ms)
        self._watch: ChangeWatch | None = None
        try:
            if service:
                opening.open_for_service(self._engine, url)
            else:
                opening.open_for_person(self._engine, url)
        except BaseException:
            self._engine.dispose()
            raise

    def close(self) -> None:
        if self._watch is not None:
            self._watch.close()
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path | None:
        """The file; None for a store in memory."""
        return sqlite_path(self.url)

    # --- writing -------------------------------------------------------------------------------------

    def write(self, records: Sequence[Record]) -> tuple[str, ...]:
        """All records in one transaction, durable on return, or none of them.

        Returns the order ids booked now for the first time. An order that is booked already is left as it
        is, with its litres: water is booked once.
        """
        if not records:
            return ()
        with writing(self._engine) as connection:
            return rows.write_records(connection, self.site_id, records)

    def add_request(
        self, kind: RequestKind, who: str, subject: str | None, amount: float | None, at: datetime
    ) -> int:
        """Keep what a person asked; durable on return. The number under which it is answered."""
        with writing(self._engine) as connection:
            return rows.write_request(connection, self.site_id, kind, who, subject, amount, at)

    def add_request_once(
        self, once: str, kind: RequestKind, who: str, subject: str | None, amount: float | None, at: datetime
    ) -> tuple[int, bool]:
        """As ``add_request``, but what was sent under the same name before is not kept a second time: its
        number, and whether it is new."""
        with writing(self._engine) as connection:
            return rows.write_request_once(connection, self.site_id, once, kind, who, subject, amount, at)

    def save_outlook(self, outlook: Outlook) -> None:
        with writing(self._engine) as connection:
            rows.write_outlook(connection, self.site_id, outlook)

    def save_telling(self, telling: Telling) -> None:
        with writing(self._engine) as connection:
            rows.write_telling(connection, self.site_id, telling)

    def flush(
        self,
        readings: Sequence[RecordReading],
        nodes: Sequence[tuple[NodeHeard, datetime]] = (),
        marks: Mapping[str, str] | None = None,
    ) -> None:
        """Readings gathered for some minutes and what else may be that old, in one transaction."""
        with writing(self._engine) as connection:
            rows.write_records(connection, self.site_id, readings)
            for heard, at in nodes:
                rows.write_node(connection, self.site_id, heard, at)
            rows.write_marks(connection, self.site_id, marks or {})

    def prune(self, now: datetime) -> None:
        with writing(self._engine) as connection:
            pruning.prune(connection, self.site_id, now)

    def add_test_record(self, record: TestRecord, mark: SiteMark) -> int:
        """Keep a test record for good, with the mark of the garden it was done on; its number."""
        from scheduler.store import tested

        with writing(self._engine) as connection:
            return tested.add_test_record(connection, self.site_id, record, mark)

    def save_draft(self, draft: str, at: datetime) -> None:
        """The half-done commissioning as typed so far; durable on return."""
        from scheduler.store import tested

        with writing(self._engine) as connection:
            tested.save_draft(connection, self.site_id, draft, at)

    def clear_draft(self) -> None:
        from scheduler.store import tested

        with writing(self._engine) as connection:
            tested.clear_draft(connection, self.site_id)

    # --- keeping safe --------------------------------------------------------------------------------

    def backup_to(self, path: Path) -> None:
        """A whole copy as one file, made while in use; ``path`` is replaced whole or not at all."""
        opening.copy_to(self._engine, path)

    def backup_beside(self, day: date) -> Path | None:
        """The nightly copy beside the store; the oldest beyond ``BACKUPS_KEPT`` go. None: in memory."""
        if self.path is None:
            return None
        target = self.path.with_name(f"{self.path.name}{opening.BACKUP_MARK}{day.isoformat()}")
        self.backup_to(target)
        for old in opening.backups_of(self.path)[BACKUPS_KEPT:]:
            old.unlink(missing_ok=True)
        return target

    def check(self) -> None:
        """StoreError when the file is damaged."""
        opening.check_whole(self._engine, self.path)

    # --- for the service -----------------------------------------------------------------------------

    def load_saved(self, now: datetime, zone: ZoneInfo) -> Saved:
        """Everything the controller goes on from, in one consistent view."""
        from scheduler.store import restoring  # the controller's values; commands do without

        with reading(self._engine) as connection:
            return restoring.load_saved(connection, self.site_id, now, zone)

    def changed(self) -> bool:
        """Whether anybody committed since the last call; costs some microseconds. True the first time."""
        if self._watch is None:
            self._watch = ChangeWatch(self._engine)
        return self._watch.changed()

    def unanswered_requests(self) -> tuple[Request, ...]:
        with reading(self._engine) as connection:
            return asking_people.unanswered_requests(connection, self.site_id)

    def mark(self, name: str) -> str | None:
        with reading(self._engine) as connection:
            return asking.read_mark(connection, self.site_id, name)

    # --- for people ----------------------------------------------------------------------------------

    def answer_to(self, request_id: int) -> RecordAnswer | None:
        with reading(self._engine) as connection:
            return asking_people.answer_to(connection, request_id)

    def requests_since(self, since: datetime) -> tuple[AskedRequest, ...]:
        with reading(self._engine) as connection:
            return asking_people.requests_since(connection, self.site_id, since)

    def last_reading(self) -> RecordReading | None:
        """The newest stored reading with the belief it led to; the service writes them some minutes late."""
        with reading(self._engine) as connection:
            found = asking.last_readings(connection, self.site_id, 1)
        return found[-1] if found else None

    def readings_since(self, since: datetime) -> tuple[RecordReading, ...]:
        with reading(self._engine) as connection:
            return asking.readings_since(connection, self.site_id, since)

    def last_plan(self, day: date | None = None) -> Plan | None:
        with reading(self._engine) as connection:
            return asking.last_plan(connection, self.site_id, day)

    def open_intents(self) -> tuple[Intent, ...]:
        with reading(self._engine) as connection:
            return asking.open_intents(connection, self.site_id)

    def intents_since(self, since: datetime) -> tuple[Intent, ...]:
        with reading(self._engine) as connection:
            return asking.intents_since(connection, self.site_id, since)

    def bookings_since(self, first: date) -> tuple[Booking, ...]:
        with reading(self._engine) as connection:
            return asking.bookings_since(connection, self.site_id, first)

    def measured_since(self, since: datetime) -> tuple[MeasuredRun, ...]:
        with reading(self._engine) as connection:
            return asking.measured_since(connection, self.site_id, since)

    def litres_since(self, first: date) -> Mapping[str, float]:
        with reading(self._engine) as connection:
            return asking.litres_since(connection, self.site_id, first)

    def plans_between(self, first: date, last: date) -> tuple[Plan, ...]:
        """Every plan for the days from ``first`` to ``last``, in the order in which they were made."""
        with reading(self._engine) as connection:
            return asking.plans_between(connection, self.site_id, first, last)

    def leaks_planned_since(self, first: date) -> tuple[tuple[date, float], ...]:
        """(local day, litres a day) that the newest plan of each day counts on a leak to take."""
        with reading(self._engine) as connection:
            return asking.leaks_planned_since(connection, self.site_id, first)

    def water_days_since(self, first: date) -> tuple[RecordWaterDay, ...]:
        """The barrels' balance of each closed day, oldest first."""
        with reading(self._engine) as connection:
            return asking.water_days_since(connection, self.site_id, first)

    def hand_water_since(self, first: date) -> tuple[RecordHandWater, ...]:
        """Water moved by hand, in the order in which it was told."""
        with reading(self._engine) as connection:
            return asking_people.hand_water_since(connection, self.site_id, first)

    def given_since(self, first: date) -> tuple[tuple[date, str, float], ...]:
        """(local day, plant, litres), booked and by hand, of the local day ``first`` and later."""
        with reading(self._engine) as connection:
            return asking.given_since(connection, self.site_id, first)

    def holds_now(self) -> tuple[RecordHold, ...]:
        """The newest hold of each zone, whether over or not."""
        with reading(self._engine) as connection:
            return asking_people.holds_now(connection, self.site_id)

    def choices_now(self) -> tuple[RecordChoice, ...]:
        """What people chose, the newest of each subject."""
        with reading(self._engine) as connection:
            return asking_people.choices_now(connection, self.site_id)

    def first_balanced_day(self) -> date | None:
        """As far back as this garden's records go; None: no day is over yet."""
        with reading(self._engine) as connection:
            return asking.first_balanced_day(connection, self.site_id)

    def root_zones_since(self, first: date) -> tuple[RootZoneRecord, ...]:
        with reading(self._engine) as connection:
            return asking.root_zones_since(connection, self.site_id, first)

    def weather_since(self, first: date) -> tuple[DayWeather, ...]:
        with reading(self._engine) as connection:
            return asking.weather_since(connection, self.site_id, first)

    def last_outlook(self) -> Outlook | None:
        with reading(self._engine) as connection:
            return asking.last_outlook(connection, self.site_id)

    def last_learning(self) -> tuple[RecordLearning, ...]:
        with reading(self._engine) as connection:
            return asking.last_learning(connection, self.site_id)

    def last_calibration(self) -> RecordCalibration | None:
        with reading(self._engine) as connection:
            return asking.last_calibration(connection, self.site_id)

    def test_records(self) -> tuple[KeptTest, ...]:
        """Every test record of this garden, by when the test was done."""
        if not self.test_count():
            return ()  # what reads the records takes its time and memory to load
        from scheduler.store import tested

        with reading(self._engine) as connection:
            return tested.test_records(connection, self.site_id)

    def test_count(self) -> int:
        """How many test records there are: cheap, to see whether any was added."""
        with reading(self._engine) as connection:
            return asking.test_count(connection, self.site_id)

    def draft(self) -> str | None:
        """The half-done commissioning; None: none is."""
        from scheduler.store import tested

        with reading(self._engine) as connection:
            return tested.draft(connection, self.site_id)

    def open_alerts(self) -> tuple[Alert, ...]:
        with reading(self._engine) as connection:
            return asking_people.open_alerts(connection, self.site_id)

    def alerts_since(self, since: datetime) -> tuple[RaisedAlert, ...]:
        with reading(self._engine) as connection:
            return asking_people.alerts_since(connection, self.site_id, since)

    def tellings_since(self, since: datetime) -> tuple[Telling, ...]:
        """By when the alert was raised."""
        with reading(self._engine) as connection:
            return asking_people.tellings_since(connection, self.site_id, since)

    def stop_state(self) -> RecordStop | None:
        with reading(self._engine) as connection:
            return asking_people.stop_state(connection, self.site_id)

    def nodes_seen(self) -> tuple[NodeSeen, ...]:
        with reading(self._engine) as connection:
            return asking.nodes_seen(connection, self.site_id)


def store_url(path: Path) -> str:
    """The URL of a store in a file."""
    if not path.name:
        raise StoreError(f"{path} is not a file name for a store.")
    return f"sqlite:///{path}"
