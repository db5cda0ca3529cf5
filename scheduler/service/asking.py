"""A person's request on its way to the daemon: durable in the store first, then a nudge, then the answer."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from scheduler.control.effects import RecordAnswer
from scheduler.control.events import RequestKind
from scheduler.control.supervision import STOP_CONFIRMED
from scheduler.service.lock import is_served
from scheduler.service.places import DEFAULT_USER, TLS_CA_VARIABLE, USER_VARIABLE, site_store_path
from scheduler.service.secrets import Secrets
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url

LOOK_S = 0.1
NEVER_HEARD = (
    "Stopped: nothing more is watered. But no valve node was ever heard here, so whether any valve is shut "
    "is not known: shut the hand tap at the barrels."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """``answer`` None: not answered within the wait; the request stays in the store and is not lost."""

    request_id: int
    answer: RecordAnswer | None
    text: str
    confirmed: bool | None = None  # of a stop: whether every valve is proven shut


def ask(
    site: Site,
    kind: RequestKind,
    who: str,
    subject: str | None,
    amount: float | None,
    *,
    wait_s: float,
    at: datetime | None = None,
    environment: Mapping[str, str] | None = None,
    once: str | None = None,
) -> Asked:
    """Keep the request, nudge the daemon, wait for its answer. ``at``: when it was asked, now if not given.
    ``once`` names one sending: sent again under it, it is not kept again. StoreError when it cannot be
    kept."""
    env = os.environ if environment is None else environment
    path = site_store_path(site.id, env)
    with Store(store_url(path), site.id, service=False) as store:
        asked_at = at or datetime.now(UTC)
        if once is None:
            number = store.add_request(kind, who, subject, amount, asked_at)
        else:
            number, _new = store.add_request_once(once, kind, who, subject, amount, asked_at)
        _nudge(site, env)
        answer = _await(store, number, wait_s, confirmed=kind == "stop")
        unheard = kind == "stop" and never_heard(store, site)
    confirmed = answer is not None and answer.text == STOP_CONFIRMED if kind == "stop" else None
    if answer is not None and unheard and not confirmed:
        return Asked(number, answer, NEVER_HEARD, confirmed)
    if answer is not None:
        hint = " If you are not sure, shut the hand tap at the barrels." if confirmed is False else ""
        return Asked(number, answer, answer.text + hint, confirmed)
    served = is_served(path)
    text = (
        f"Kept as request {number}; the daemon has not answered yet."
        if served
        else f"Kept as request {number}, but the daemon is not running: it acts when it starts."
    )
    if kind == "stop":
        text += " No valve is proven shut: shut the hand tap at the barrels."
    return Asked(number, None, text, confirmed)


def never_heard(store: Store, site: Site) -> bool:
    """Whether this garden's node has never told the service anything."""
    return store.last_reading() is None and all(n.node != site.node.id for n in store.nodes_seen())


def _nudge(site: Site, env: Mapping[str, str]) -> None:
    """Best effort: without it the daemon looks every second."""
    from scheduler.link.nudge import nudge

    password = Secrets(env).get("broker_password")
    user = env.get(USER_VARIABLE, DEFAULT_USER) if password else None
    nudge(
        site.id,
        host=site.broker.host,
        port=site.broker.port,
        username=user,
        password=password,
        tls=site.broker.tls,
        tls_ca_file=env.get(TLS_CA_VARIABLE),
    )


def _await(store: Store, number: int, wait_s: float, *, confirmed: bool) -> RecordAnswer | None:
    """The answer; of a stop, the one in which the node confirms, or what there is when the wait is over."""
    end = time.monotonic() + wait_s
    while True:
        answer = store.answer_to(number)
        enough = answer is not None and (not confirmed or answer.text == STOP_CONFIRMED)
        if enough or time.monotonic() >= end:
            return answer
        time.sleep(LOOK_S)
