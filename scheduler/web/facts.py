"""What the page shows of one garden, gathered from its store by the same answers that the commands print."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Hashable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as TookTooLong
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from scheduler.control.choosing import choices_of
from scheduler.control.effects import Booking, Intent, RecordChoice, RootZoneRecord
from scheduler.planning.ahead import Ahead
from scheduler.planning.choices import Choices
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.plan import Plan, PlannedRun
from scheduler.report.ahead import look_from_store
from scheduler.report.answers import StatusAnswer, WhyZoneAnswer
from scheduler.report.status import level_now, status_answer
from scheduler.report.why import why_answer
from scheduler.service.lock import is_served
from scheduler.service.places import site_store_path
from scheduler.service.practised import practice_ended
from scheduler.service.tested import garden_as_tested
from scheduler.site.errors import StoreError, UsageError
from scheduler.site.model import Site
from scheduler.store.store import MeasuredRun, Store, store_url
from scheduler.survey.levels import LevelSurvey, zone_levels

# Runs further back are no longer "the last run".
LAST_RUN_DAYS = 30
# As far back as a root zone's newest balance speaks of now (as in status).
ROOTS_DAYS = 3
# The weeks ahead take some tenths of a second: worked out beside, waited for so long, kept while the plan and
# (to this step) the level stay as they are.
AHEAD_WAIT_S = 0.03
AHEAD_STEP_M = 0.01
# So far ahead a household is told what to top up (as `fallinghead ahead` without a day).
THROUGH_DAYS = 14


@dataclass(frozen=True, slots=True)
class Made:
    """The garden as its tests found it, with its hydraulics and every zone over all levels."""

    site: Site
    model: GardenModel
    levels: Mapping[str, LevelSurvey]


@dataclass(frozen=True, slots=True)
class LastRun:
    """What was wanted of the newest run, what is booked, what the level says; None: not known."""

    booking: Booking
    intent: Intent | None
    measured: MeasuredRun | None


@dataclass(frozen=True, slots=True, eq=False)
class Foreseen:
    """The weeks ahead, and what to top up now so that the water lasts ``through`` that day (None: not even
    full barrels do): sought among many ways of the weather, and so not at each look."""

    ahead: Ahead
    through: date
    top_up_l: float | None


@dataclass(frozen=True, slots=True)
class Facts:
    """One look at the store. ``status`` None: there is no store yet, or ``trouble`` says why not."""

    site: Site
    now: datetime
    made: Made
    running: bool
    trouble: str | None = None
    status: StatusAnswer | None = None
    plan: Plan | None = None
    foreseen: Foreseen | None = None  # None: not known, or still being worked out
    coming: tuple[PlannedRun, ...] = ()  # the runs of the plan that are still to come, or under way
    why_next: WhyZoneAnswer | None = None
    last: LastRun | None = None
    under_way: tuple[Intent, ...] = ()
    choices: Choices = field(default_factory=Choices)  # what people chose, until they take it back
    told: tuple[RecordChoice, ...] = ()  # the same and what they told of the year, as it was kept
    roots: Mapping[str, RootZoneRecord] | None = None
    last_level_at: datetime | None = None  # when a level was last known, however long ago
    unshut: tuple[tuple[str, str], ...] = ()  # zones whose valve was not called closed last, and what it was

    @property
    def today(self) -> date:
        return self.now.astimezone(self.site.place.timezone).date()

    @property
    def level_m(self) -> float | None:
        return self.status.level_m if self.status is not None else None

    @property
    def after_m(self) -> float | None:
        """The level that the runs to come will leave; None: none comes, or it is not known."""
        if self.level_m is None or not self.coming:
            return None
        return min(self.level_m, min(r.level_end_m for r in self.coming))


class Garden:
    """One garden behind the page. Safe to use from several threads."""

    def __init__(
        self,
        site: Site,
        *,
        environment: Mapping[str, str] | None = None,
        now: Callable[[], datetime] | None = None,
        ahead_wait_s: float | None = AHEAD_WAIT_S,
    ) -> None:
        self.site = site
        self.environment = os.environ if environment is None else environment
        self.now = now or (lambda: datetime.now(UTC))
        self.store_path = site_store_path(site.id, self.environment)
        self._lock = threading.Lock()
        self._made: tuple[int, Made] | None = None
        self._open: tuple[int | None, Store] | None = None
        self._ahead_wait_s = ahead_wait_s
        self._ahead: tuple[object, Future[Foreseen | None]] | None = None
        self._beside = ThreadPoolExecutor(1, "ahead")

    @contextmanager
    def store(self) -> Iterator[Store]:
        """The store, kept open between looks; anew when the file was replaced. StoreError: there is none yet,
        or it cannot be read."""
        yield self._opened_store()

    def _opened_store(self) -> Store:
        with self._lock:
            inode = self.store_path.stat().st_ino if self.store_path.exists() else None
            if self._open is not None and self._open[0] != inode:
                self._open[1].close()
                self._open = None
            if self._open is None:
                store = Store(store_url(self.store_path), self.site.id, service=False)
                self._open = (inode, store)
            return self._open[1]

    def close(self) -> None:
        self._beside.shutdown()
        with self._lock:
            if self._open is not None:
                self._open[1].close()
                self._open = None

    def made(self, store: Store | None = None) -> Made:
        """The garden as tested; made again when tests were added."""
        with self._lock:
            count = store.test_count() if store is not None else 0
            if self._made is None or self._made[0] != count:
                site = garden_as_tested(self.site, store, self.now()).site if store is not None else self.site
                model = garden_model(site)
                levels = {z.id: zone_levels(model, z.id) for z in site.zones}
                self._made = (count, Made(site, model, levels))
            return self._made[1]

    def served(self) -> bool:
        return is_served(self.store_path)

    def look(self) -> Facts:
        """Everything of the first page. Never raises for a store that is not there: then little is known."""
        now, running = self.now(), self.served()
        if not self.store_path.exists():
            return Facts(self.site, now, self.made(), running)
        try:
            with self.store() as store:
                return self._facts(store, now, running)
        except StoreError as error:
            return Facts(self.site, now, self._made[1] if self._made else self.made(), running, str(error))

    def _facts(self, store: Store, now: datetime, running: bool) -> Facts:
        made = self.made(store)
        plan = store.last_plan()
        foreseen = None
        if self._ahead_wait_s is not None:
            foreseen = self._foreseen(made, store, plan, now, self._ahead_wait_s)
        ahead = foreseen.ahead if foreseen is not None else None
        status = status_answer(made.site, store, now, running=running, ahead=ahead)
        if not running and practice_ended(self.environment) is not None:
            status = status.model_copy(update={"practice_over": True})
        today = now.astimezone(made.site.place.timezone).date()
        bookings = store.bookings_since(today - timedelta(days=LAST_RUN_DAYS))
        coming = _coming(plan, bookings, now)
        told = store.choices_now()
        return Facts(
            site=made.site,
            now=now,
            made=made,
            running=running,
            status=status,
            plan=plan,
            foreseen=foreseen,
            coming=coming,
            why_next=_why(made.site, store, plan, coming[0].zone) if plan and coming else None,
            last=_last_run(store, bookings),
            under_way=store.open_intents(),
            choices=choices_of(told),
            told=told,
            roots=_newest_roots(store, today),
            last_level_at=_last_level_at(store),
            unshut=_unshut(made.site, store),
        )

    def weeks_ahead(self, facts: Facts, store: Store, wait_s: float) -> Ahead | None:
        """For whoever asks for them alone. None: not known, or not ready within the wait."""
        found = facts.foreseen or self._foreseen(facts.made, store, facts.plan, facts.now, wait_s)
        return found.ahead if found is not None else None

    def _foreseen(
        self, made: Made, store: Store, plan: Plan | None, now: datetime, wait_s: float
    ) -> Foreseen | None:
        level_m = level_now(store, now).level_m
        step = round(level_m / AHEAD_STEP_M) if level_m is not None else None
        today = now.astimezone(made.site.place.timezone).date()
        outlook = store.last_outlook()
        key = (
            today,
            plan.made_at if plan is not None else None,
            outlook.fetched_at if outlook is not None else None,
            store.choices_now(),
            step,
            store.test_count(),
        )
        with self._lock:
            if self._ahead is None or self._ahead[0] != key:
                self._ahead = (key, self._beside.submit(_look_ahead, made, store, now))
            future = self._ahead[1]
        try:
            found = future.result(wait_s)
        except TookTooLong:
            return None
        if found is None:  # what was missing may come at any time
            with self._lock:
                self._ahead = None if self._ahead is not None and self._ahead[0] == key else self._ahead
        return found


def gone_by(facts: Facts, store: Store) -> Hashable:
    """What an answer of the days that are over rests on: changes when a day was closed, a run booked, a test
    kept, something told, or a trouble came or ended."""
    return (
        facts.today,
        max((r.day for r in (facts.roots or {}).values()), default=None),
        facts.last.booking.at if facts.last is not None else None,
        store.test_count(),
        facts.told,
        tuple((a.kind, a.subject, a.since) for a in facts.status.alerts) if facts.status is not None else (),
    )


def _look_ahead(made: Made, store: Store, now: datetime) -> Foreseen | None:
    try:
        ahead = look_from_store(made.site, made.model, store, now)
    except (UsageError, StoreError):
        return None
    through = ahead.first + timedelta(days=THROUGH_DAYS - 1)
    return Foreseen(ahead, through, ahead.top_up_l(through))


def _coming(plan: Plan | None, bookings: tuple[Booking, ...], now: datetime) -> tuple[PlannedRun, ...]:
    """A run whose zone was booked since its start is over (as in status)."""
    if plan is None:
        return ()
    return tuple(
        run
        for run in plan.runs
        if run.start + timedelta(seconds=run.run_s) >= now
        and not any(b.zone == run.zone and b.at >= run.start for b in bookings)
    )


def _why(site: Site, store: Store, plan: Plan, zone: str) -> WhyZoneAnswer | None:
    try:
        return why_answer(site, store, plan.day, zone).zones[0]
    except UsageError:
        return None


def _last_run(store: Store, bookings: tuple[Booking, ...]) -> LastRun | None:
    booking = max((b for b in bookings if b.volume_l > 0.0), key=lambda b: b.at, default=None)
    if booking is None:
        return None
    since = booking.at - timedelta(days=2)
    intent = next((i for i in store.intents_since(since) if i.order.order_id == booking.order_id), None)
    measured = next((m for m in store.measured_since(since) if m.order_id == booking.order_id), None)
    return LastRun(booking, intent, measured)


def _last_level_at(store: Store) -> datetime | None:
    reading, by_hand = store.last_reading(), store.last_calibration()
    read_at = reading.belief.at if reading is not None else None
    times = [t for t in (read_at, by_hand.at if by_hand is not None else None) if t is not None]
    return max(times, default=None)


def _unshut(site: Site, store: Store) -> tuple[tuple[str, str], ...]:
    seen = (node for node in store.nodes_seen() if node.node == site.node.id)
    last = {channel: position for node in seen for channel, position in node.valves}
    found = ((z.name, last.get(z.valve.channel, "closed")) for z in site.zones)
    return tuple((name, position) for name, position in found if position != "closed")


def _newest_roots(store: Store, today: date) -> dict[str, RootZoneRecord]:
    newest: dict[str, RootZoneRecord] = {}
    for record in store.root_zones_since(today - timedelta(days=ROOTS_DAYS)):
        if record.plant not in newest or record.day >= newest[record.plant].day:
            newest[record.plant] = record
    return newest
