"""A garden behind the page: the real controller with a scripted node, its records in a real store, the page's
application with a client that has a cookie jar."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import get_args

from starlette.testclient import TestClient

from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import Effect, Record, RecordReading
from scheduler.control.events import RequestMade
from scheduler.planning.garden import garden_model
from scheduler.service.lock import SiteLock, lock_path
from scheduler.service.places import site_store_path
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url
from scheduler.survey.levels import zone_levels
from scheduler.web.app import make_app
from scheduler.web.facts import Garden, Made
from scheduler.web.guard import App
from scheduler.web.keys import Keys
from tests.support.driving import Driver
from tests.support.gardens import dry_days, small_garden

HOST = "garden.example"
PASSWORD = "rain falls on tin"
WHO = "Ann"


@dataclass
class Hands:
    """Clocks that a test moves."""

    monotonic_s: float = 1000.0
    ahead: timedelta = timedelta(0)  # of the page's clock before the controller's


@cache
def _made(site: Site) -> Made:
    model = garden_model(site)
    return Made(site, model, {z.id: zone_levels(model, z.id) for z in site.zones})


@cache
def _empty_store(site_id: str) -> Path:
    path = Path(tempfile.mkdtemp(prefix="page-garden-")) / "empty.db"
    Store(store_url(path), site_id).close()
    return path


@cache
def _morning(site: Site) -> tuple[Path, Driver]:
    """A store and its controller just before the morning's window."""
    folder = Path(tempfile.mkdtemp(prefix="page-garden-"))
    made = PageGarden(folder, site=site)
    made.begin()
    made.close()
    return made.store_path, made.driver


def _copied(driver: Driver) -> Driver:
    """One of its own from here on; the controller's state is never changed in place."""
    own = copy(driver)
    own.effects = list(driver.effects)
    own.node = copy(driver.node)
    own.node.positions, own.node.outcomes = dict(driver.node.positions), list(driver.node.outcomes)
    return own


class PageGarden:
    """``client`` speaks to the page; the controller moves only when told to."""

    def __init__(
        self, folder: Path, *, site: Site | None = None, look_only: bool = False, ahead: bool = False
    ) -> None:
        self.site = site or small_garden()
        self.environment = {"FALLINGHEAD_STATE": str(folder)}
        self.store_path = site_store_path(self.site.id, self.environment)
        self.driver = Driver(self.site)
        self.hands = Hands()
        self.lock = SiteLock(lock_path(self.store_path))
        self._store: Store | None = None
        self._written = 0
        self.garden = Garden(
            self.site, environment=self.environment, now=self.now, ahead_wait_s=20.0 if ahead else None
        )
        self.garden._made = (0, _made(self.site))  # hydraulics are made once for all tests of a garden
        self.keys = Keys(folder / "page.json", self.now)
        self.app: App = make_app(
            self.garden,
            self.keys,
            hosts=[HOST],
            tls=not look_only,
            look_only=look_only,
            monotonic=lambda: self.hands.monotonic_s,
            wait_s=0.0,
            stop_wait_s=0.0,
        )
        self.client = self.visitor()

    def now(self) -> datetime:
        return self.driver.now.wall + self.hands.ahead

    def visitor(self) -> TestClient:
        """Another phone."""
        return TestClient(self.app, base_url=f"https://{HOST}")

    def close(self) -> None:
        self.garden.close()
        self.lock.release()
        if self._store is not None:
            self._store.close()

    # --- the service ---------------------------------------------------------------------------------

    @property
    def store(self) -> Store:
        """Made at the first use, as the service does (from a copy, for making one takes a second)."""
        if self._store is None:
            if not self.store_path.exists():
                shutil.copy(_empty_store(self.site.id), self.store_path)
            self._store = Store(store_url(self.store_path), self.site.id)
        return self._store

    def serve(self) -> None:
        """From now on a service seems to run."""
        self.lock.take()

    def settle(self) -> None:
        """Keep all that the controller said to keep, and what it heard of the node."""
        new: Sequence[Effect] = self.driver.effects[self._written :]
        self._written = len(self.driver.effects)
        readings = [e for e in new if isinstance(e, RecordReading)]
        self.store.write([e for e in new if isinstance(e, get_args(Record)) and e not in readings])
        self.store.flush(readings)

    def hear(self) -> None:
        """The node speaks, and that is kept."""
        heard = self.driver.node.says(self.driver.now)
        self.driver.feed(heard)
        self.settle()
        self.store.flush([], [(heard, self.driver.now.wall)])

    def start(self) -> None:
        """A service runs, and it is the hour before the morning's window."""
        path, driver = _morning(self.site)
        shutil.copy(path, self.store_path)
        self.driver = _copied(driver)
        self._written = len(driver.effects)
        self.serve()

    def begin(self) -> None:
        """A node that speaks, weather; the roots dry, so that the morning's plan waters."""
        self.driver.ready()
        self.driver.dry_out()
        day = self.driver.now.wall.date()
        outlook = Outlook(dry_days(day - timedelta(days=14), 21), "test weather", self.driver.now.wall)
        self.store.save_outlook(outlook)
        self.driver.wait(60, every_s=30)
        self.hear()

    def take_requests(self) -> None:
        """The controller acts on what lies in the store."""
        for request in self.store.unanswered_requests():
            self.driver.feed(RequestMade(request))
        self.settle()

    # --- the visitor ---------------------------------------------------------------------------------

    def let_in(self, client: TestClient | None = None) -> TestClient:
        """Set the password with a code from the log, and so enter."""
        client = client or self.client
        form = {"token": token(client, "/first"), "code": self.keys.new_code(), "who": WHO}
        answer = client.post("/first", data=form | {"password": PASSWORD}, follow_redirects=False)
        assert answer.status_code == 303, answer.text
        return client

    def tell(self, name: str, client: TestClient | None = None, **fields: str) -> str:
        """Send a form, let the controller act, and read what the page then says became of it."""
        client = client or self.client
        sent = client.post(f"/tell/{name}", data=form_of(client) | fields)
        self.take_requests()
        return (
            plain(client.get(str(sent.url)).text) if sent.url.path.startswith("/asked/") else plain(sent.text)
        )


def token(client: TestClient, page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert found is not None, page
    return found[1]


def form_of(client: TestClient) -> dict[str, str]:
    """The hidden fields of a fresh form: the same on every page, and this one is the quickest made."""
    page = client.get("/leave").text
    found = dict(re.findall(r'name="(token|once)" value="([^"]+)"', page))
    assert set(found) == {"token", "once"}
    return found


def plain(page: str) -> str:
    """The words of a page as they are read, drawings and scripts apart."""
    text = re.sub(r"<(svg|script|style|head)\b.*?</\1>", " ", page, flags=re.DOTALL)
    text = re.sub(r"</?(b|strong|span|a|em|i)\b[^>]*>", "", text)
    text = re.sub(r"<[^>]+>", " ", text).replace("&#39;", "'").replace("&amp;", "&")
    return " ".join(text.split())


def heading(page: str) -> str:
    found = re.search(r"<h1[^>]*>(.*?)</h1>", page, flags=re.DOTALL)
    assert found is not None
    return plain(found[1])
