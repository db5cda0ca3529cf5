"""Who is told of the garden's alerts: the delivery as one garden's service wants it, also after a restart."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta

from scheduler.alerts.addresses import Address
from scheduler.alerts.delivery import Deliverer, Outcome
from scheduler.alerts.pacing import Pacing
from scheduler.alerts.sending import Sender, send_by_apprise
from scheduler.alerts.waiting import Told
from scheduler.control.effects import RecordChoice
from scheduler.control.household import QUIET_MOST, quiet_until
from scheduler.service.clock import Clock
from scheduler.site.errors import StoreError
from scheduler.site.model import Site
from scheduler.store.store import Store, Telling

# Alerts of the last day that nobody was told of are told after a restart.
RETELL = timedelta(days=1)
# As long as a message can be put off.
SETTLED = QUIET_MOST + RETELL

log = logging.getLogger("fallinghead")


def garden_deliverer(
    site: Site,
    store: Store,
    clock: Clock,
    addresses: Mapping[str, Address],
    choices: Callable[[], Sequence[RecordChoice] | None],
    send: Sender = send_by_apprise,
) -> Deliverer:
    """``choices``: what people told that holds now; None while the controller has not begun, then what the
    store holds is taken. StoreError: the store cannot be read."""
    stored = store.choices_now()

    def told() -> Sequence[RecordChoice]:
        now = choices()
        return stored if now is None else now

    return Deliverer(
        site.name,
        site.people,
        addresses,
        zone=site.place.timezone,
        on_outcome=lambda outcome: _keep_outcome(store, outcome, clock.now().wall),
        told=_told(store, site, clock.now().wall),
        send=send,
        pacing=Pacing(site.place.timezone, lambda: clock.now().wall, told),
        standing=store.open_alerts(),
    )


def tell_again(store: Store, alerts: Deliverer, now: datetime) -> None:
    """Hand over open alerts of the last day; who was told already is left in peace."""
    since = now - RETELL
    settled = {(t.kind, t.subject, t.raised_at) for t in store.tellings_since(now - SETTLED)}
    quiet = quiet_until(store.choices_now())
    for alert in store.open_alerts():
        recent = alert.at >= since or alert.kind in quiet
        if recent and (alert.kind, alert.subject, alert.at) not in settled:
            alerts.deliver(alert)


def _told(store: Store, site: Site, now: datetime) -> list[Told]:
    """Of the last day, and of whatever stands since before."""
    zone = site.place.timezone
    since = min([now - RETELL, *(a.at for a in store.open_alerts())])
    return [
        Told(t.person, t.kind, t.subject, t.raised_at.astimezone(zone).date())
        for t in store.tellings_since(since)
        if t.status == "told"
    ]


def _keep_outcome(store: Store, outcome: Outcome, now: datetime) -> None:
    alert = outcome.alert
    if outcome.status == "told":
        log.info("Told %s: %s", outcome.person, alert.text)
    elif outcome.status != "told_before":
        log.warning("Not told %s (%s): %s", outcome.person, outcome.text, alert.text)
    telling = Telling(alert.kind, alert.subject, alert.at, outcome.person, outcome.status, now)
    try:
        store.save_telling(telling)
    except StoreError as error:
        log.error("Who was told could not be written down: %s", error)
