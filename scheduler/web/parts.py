"""What the routes share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi.templating import Jinja2Templates

from scheduler.site.errors import UsageError
from scheduler.web.facts import Garden
from scheduler.web.kept import Kept
from scheduler.web.keys import Keys
from scheduler.web.limits import Rate, Tries

if TYPE_CHECKING:
    from scheduler.web.round_page import Round

# While the browser is answered the daemon has so long; a stop a little longer, for the valve's travel.
WAIT_S = 3.0
STOP_WAIT_S = 6.0


@dataclass(frozen=True, slots=True)
class Parts:
    """``title``: what every page bears. ``one`` None: an office, with a round and no garden of its own.

    ``look_only``: everybody who reaches the page may look and stop, nobody may do more. ``cookie``: the
    name of the session's cookie, ``secure`` whether it travels over TLS alone."""

    title: str
    one: Garden | None
    keys: Keys
    templates: Jinja2Templates
    tries: Tries
    stops: Rate
    monotonic: Callable[[], float]
    kept: Kept
    look_only: bool
    cookie: str
    secure: bool
    wait_s: float = WAIT_S
    stop_wait_s: float = STOP_WAIT_S
    round: Round | None = None  # the gardens of a fitter, where he asked for that page

    @property
    def garden(self) -> Garden:
        """UsageError in an office."""
        if self.one is None:
            raise UsageError("This page is of a round; it belongs to no garden.")
        return self.one
