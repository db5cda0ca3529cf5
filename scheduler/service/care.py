"""Once a day: is care due that nobody was told of lately?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from scheduler.control.care import due_words
from scheduler.control.effects import Alert
from scheduler.site.model import Site
from scheduler.store.caring import care_due_by
from scheduler.store.store import Store

# Once a fortnight is enough (a choice of this project).
AGAIN = timedelta(days=14)


def tell_care(site: Site, store: Store, now: datetime, deliver: Callable[[Alert], None]) -> None:
    """Hand over one message of all that is due, unless one was sent within the fortnight."""
    today = now.astimezone(site.place.timezone).date()
    due = care_due_by(store, site.place.timezone, today)
    lately = [t for t in store.tellings_since(now - AGAIN) if t.kind == "care_due" and t.status == "told"]
    if not due or lately:
        return
    text = f"{site.name}: {due_words(due, today)}."
    advice = "Do it with the barrels full, then tell it on the page or with fallinghead care."
    deliver(Alert("care_due", "", text, advice, False, now))
