"""Before the controller begins, people are told by what the store holds of their wishes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.alerts.addresses import Address
from scheduler.alerts.delivery import Deliverer
from scheduler.alerts.message import Message
from scheduler.control.clock import Now
from scheduler.control.effects import Alert, AlertKind, RaiseAlert, RecordChoice
from scheduler.service.telling import garden_deliverer, tell_again
from scheduler.site.model import Person
from scheduler.store.store import Store, Telling, store_url
from tests.support.gardens import small_garden

# Noon at the garden.
NOW = datetime(2012, 7, 20, 19, tzinfo=UTC)
SITE = replace(small_garden(), people=(Person("Ann", "phone"), Person("Cleo", "mail", while_away=True)))


class Noon:
    """A clock that stands."""

    def now(self) -> Now:
        return Now(NOW, 0.0, "synced")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(store_url(tmp_path / "g.db"), SITE.id) as opened:
        yield opened


def raised(kind: AlertKind, ago: timedelta = timedelta(hours=2), *, urgent: bool = False) -> Alert:
    return Alert(kind, "", f"Small garden: {kind}.", "Look.", urgent, NOW - ago)


def restarted(store: Store) -> list[tuple[str, str]]:
    """Who gets which kind while the controller has not begun."""
    sent: list[tuple[str, str]] = []

    def send(address: Address, message: Message) -> bool:
        sent.append((address.url.removeprefix("json://"), message.body))
        return True

    addresses = {name: Address(f"json://{name}") for name in ("phone", "mail")}
    alerts: Deliverer = garden_deliverer(SITE, store, Noon(), addresses, lambda: None, send)  # type: ignore[arg-type]
    alerts.work()
    tell_again(store, alerts, NOW)
    alerts.work()
    return sorted((name, body.partition(".")[0].rpartition(": ")[2]) for name, body in sent)


def test_a_restart_does_not_send_what_was_put_off(store: Store) -> None:
    until = (NOW + timedelta(days=30)).date().isoformat()
    store.write([RaiseAlert(raised("node_silent")), RaiseAlert(raised("frost"))])
    store.write([RecordChoice("quiet node_silent", until, "Ann", NOW - timedelta(hours=1))])
    assert restarted(store) == [("phone", "frost")]


def test_a_restart_while_away_reaches_the_helper_once(store: Store) -> None:
    store.write([RecordChoice("away", "2012-07-19/2012-07-30", "Ann", NOW - timedelta(days=3))])
    store.write([RaiseAlert(raised("valve_not_shut", timedelta(days=4), urgent=True))])
    assert restarted(store) == [("mail", "valve_not_shut")]
    assert [(t.person, t.status) for t in store.tellings_since(NOW - timedelta(days=5))] == [("Cleo", "told")]
    assert restarted(store) == []


def test_who_was_told_of_a_cause_before_the_restart_is_not_told_what_it_explains(store: Store) -> None:
    cause = raised("node_silent", timedelta(hours=1))
    store.write([RaiseAlert(raised("level_unknown")), RaiseAlert(cause)])
    store.save_telling(Telling(cause.kind, "", cause.at, "Ann", "told", NOW))
    assert restarted(store) == []
    tellings = store.tellings_since(NOW - timedelta(days=1))
    assert ("level_unknown", "explained") in [(t.kind, t.status) for t in tellings]
