"""Composition root: everything a running garden needs, built, started and ended in the right order."""

from __future__ import annotations

import contextlib
import logging
import os
import random
import signal
import stat
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from scheduler.alerts.delivery import Deliverer
from scheduler.control.effects import Alert, AlertKind
from scheduler.link.client import NodeLink
from scheduler.service.boundaries import Boundaries
from scheduler.service.care import tell_care
from scheduler.service.clock import Clock, SystemClock, WallTrust, said_trust
from scheduler.service.forecasts import Fetching, StoredPast
from scheduler.service.health import Health
from scheduler.service.keeping import SAVED_AT, SYNCED_BOOT
from scheduler.service.lock import SiteLock, lock_path
from scheduler.service.loop import Loop
from scheduler.service.places import (
    DEFAULT_USER,
    STATE_VARIABLE,
    TLS_CA_VARIABLE,
    USER_VARIABLE,
    site_store_path,
)
from scheduler.service.rain import GaugeDays
from scheduler.service.secrets import Secrets
from scheduler.service.shell import Shell
from scheduler.service.telling import garden_deliverer, tell_again
from scheduler.service.timers import Timers
from scheduler.site.doubts import check_not_on_paper
from scheduler.site.errors import StoreError
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url
from scheduler.weather.cache import CachedWeather
from scheduler.weather.choosing import weather_sources
from scheduler.weather.service import WeatherService
from scheduler.weather.without_network import EnduringWeather

WEATHER_URL_VARIABLE = "FALLINGHEAD_WEATHER_URL"

log = logging.getLogger("fallinghead")


@dataclass(frozen=True, slots=True)
class Parts:
    """What may be put in place of the usual; None: the usual."""

    store_path: Path | None = None
    clock: Clock | None = None
    weather: WeatherService | None = None
    node_key: bytes | None = None
    broker_host: str | None = None
    broker_port: int | None = None
    broker_user: str | None = None
    broker_password: str | None = None
    on_alert: Callable[[Alert], None] | None = None
    around: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext  # see Shell


class Daemon:
    """One garden's service. ``run`` blocks until ``leave``; everything opened is closed when it returns.

    LockedError: another one runs. StoreError: the store is lost or damaged. UsageError: a secret is missing.
    """

    def __init__(
        self, site: Site, parts: Parts | None = None, environment: Mapping[str, str] | None = None
    ) -> None:
        self.site = site
        self._parts = parts or Parts()
        self._env = os.environ if environment is None else environment
        self._secrets = Secrets(self._env)
        self._key = self._parts.node_key or self._secrets.node_key(site.node.id)
        self._boundaries = Boundaries()
        self.store_path = self._parts.store_path or site_store_path(site.id, self._env)
        self.shell: Shell | None = None
        self.loop: Loop | None = None
        self._leave_asked = threading.Event()

    def leave(self) -> None:
        """From any thread or a signal handler: close the valves and end. Asked again: do not wait for the
        node's word."""
        again = self._leave_asked.is_set()
        self._leave_asked.set()
        if self.loop is not None:
            if again:
                self.loop.end()
            else:
                self.loop.leave()

    def end(self) -> None:
        """From any thread: end without closing anything, for practice."""
        if self.loop is not None:
            self.loop.end()

    def run(self) -> None:
        self._make_folder()
        with SiteLock(lock_path(self.store_path)), Store(store_url(self.store_path), self.site.id) as store:
            _open_to_group(self.store_path)
            self._run(store)

    def _make_folder(self) -> None:
        try:
            self.store_path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"The folder {self.store_path.parent} for the store cannot be made: {error.strerror}. "
                f"Set {STATE_VARIABLE} to one this user may write."
            ) from error

    def _run(self, store: Store) -> None:
        timers = Timers()
        trust = _wall_trust(store)
        clock = self._parts.clock or SystemClock(trust)
        loop = Loop(
            clock,
            health=Health(),
            set_timer=lambda in_s, call: timers.once("wake", in_s, call),
            on_jump=timers.wake_up,
        )
        link = self._link(loop, clock, store)
        alerts = self._alerts(store, clock)
        fetching = self._weather(clock, loop, timers, store)
        shell = Shell(
            self.site,
            store,
            link,
            fetching,
            _Both(alerts, self._parts.on_alert),
            clock,
            wake=loop.wake,
            boundaries=self._boundaries,
            boot=trust.boot,
            saved=trust.saved,
            past=StoredPast(self.site, store, clock).whole,
            around=self._parts.around,
        )
        self.loop, self.shell = loop, shell
        timers.daily("backup", self.site.place.timezone, lambda: loop.job(lambda: _look_after(store, clock)))
        timers.daily(
            "care",
            self.site.place.timezone,
            lambda: loop.job(lambda: _tell_care(self.site, store, clock, alerts)),
        )
        timers.start()
        alerts.start()
        tell_again(store, alerts, clock.now().wall)
        log.info("Serving %s; store %s.", self.site.name, self.store_path)
        link.start()
        if self._leave_asked.is_set():
            loop.leave()  # asked before there was a loop; a second one is passed over
        try:
            loop.run(shell)
        finally:
            timers.stop()
            link.stop()
            alerts.stop(within_s=2.0)
            log.info("Ended.")

    def _link(self, loop: Loop, clock: Clock, store: Store) -> NodeLink:
        parts = self._parts
        password = parts.broker_password or self._secrets.get("broker_password")
        user = parts.broker_user or self._env.get(USER_VARIABLE) or (DEFAULT_USER if password else None)
        host, port = parts.broker_host or self.site.broker.host, parts.broker_port or self.site.broker.port
        log.info("Looking for the broker at %s:%s; waiting until it is there.", host, port)
        return NodeLink(
            self.site,
            self._key,
            on_event=loop.post,
            host=host,
            port=port,
            username=user,
            password=password,
            on_nudge=loop.nudge,
            on_rain=self._rain(loop, store),
            on_trouble=lambda text: log.warning("%s", text),
            now=lambda: clock.now().wall,
            tls_ca_file=self._env.get(TLS_CA_VARIABLE),
        )

    def _rain(self, loop: Loop, store: Store) -> Callable[[int, datetime], None] | None:
        gauge = self.site.rain_gauge
        return GaugeDays(gauge, self.site.place, loop.post, store).heard if gauge is not None else None

    def _alerts(self, store: Store, clock: Clock) -> Deliverer:
        return garden_deliverer(
            self.site,
            store,
            clock,
            self._secrets.addresses(self.site),
            lambda: self.shell.choices if self.shell is not None else None,
        )

    def _weather(self, clock: Clock, loop: Loop, timers: Timers, store: Store) -> Fetching:
        holder: list[Fetching] = []

        def say(text: str) -> None:
            holder[0].say(text)

        service = self._parts.weather or EnduringWeather(
            CachedWeather(self._service(say), self.store_path.parent, say=say),
            StoredPast(self.site, store, clock),
            say=say,
        )
        fetching = Fetching(
            service,
            self.site,
            clock,
            loop.post,
            later=lambda call: timers.with_jitter("weather", call),
        )
        holder.append(fetching)
        return fetching

    def _service(self, say: Callable[[str], None]) -> WeatherService:
        choice = self.site.forecast
        url = self._env.get(WEATHER_URL_VARIABLE)
        return weather_sources(
            choice.services,
            random.Random(),  # noqa: S311 - jitter between attempts, no secret
            contact=choice.contact,
            path=choice.path,
            base_urls={"open-meteo": url} if url else {},
            say=say,
            note=lambda text: log.info("Weather: %s", text),
        )


class _Both:
    """Alerts to people, and to whoever runs the practice garden."""

    def __init__(self, deliverer: Deliverer, also: Callable[[Alert], None] | None) -> None:
        self._deliverer = deliverer
        self._also = also

    def deliver(self, alert: Alert) -> None:
        self._deliverer.deliver(alert)
        if self._also is not None:
            self._also(alert)

    def over(self, kind: AlertKind, subject: str) -> None:
        self._deliverer.over(kind, subject)


def serve(site: Site) -> int:
    """Run the garden's service until SIGTERM or SIGINT; the exit status. Errors go to the caller, among them
    UsageError: it is a garden on paper."""
    check_not_on_paper(site)
    daemon = Daemon(site)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: daemon.leave())
    daemon.run()
    return 0


def _open_to_group(store: Path) -> None:
    """Where the folder lets a group write, the store does too: its members give their commands through it.
    SQLite makes its file for one user alone, whatever the umask; its further files take after it."""
    if not store.parent.stat().st_mode & stat.S_IWGRP:
        return
    for path in (store, *(store.with_name(store.name + ending) for ending in ("-wal", "-shm"))):
        with contextlib.suppress(FileNotFoundError):
            try:
                path.chmod(stat.S_IMODE(path.stat().st_mode) | stat.S_IRGRP | stat.S_IWGRP)
            except PermissionError:
                log.warning("The group of %s cannot be let in: the file is another user's.", path)


def _wall_trust(store: Store) -> WallTrust:
    saved = store.mark(SAVED_AT)
    return WallTrust(
        last_saved=datetime.fromisoformat(saved) if saved else None,
        synced_boot=store.mark(SYNCED_BOOT),
        said=said_trust(),
    )


def _tell_care(site: Site, store: Store, clock: Clock, alerts: Deliverer) -> None:
    try:
        tell_care(site, store, clock.now().wall, alerts.deliver)
    except StoreError as error:
        log.error("What care is due cannot be read: %s", error)


def _look_after(store: Store, clock: Clock) -> None:
    """The daily copy, a check, and old history out."""
    now = clock.now().wall
    try:
        store.prune(now)
        store.check()
        path = store.backup_beside(now.date())
        log.info("Copy of the store made: %s", path)
    except StoreError as error:
        log.error("The daily copy of the store failed: %s", error)
