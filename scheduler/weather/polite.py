"""How every forecast service is asked: seldom, with growing waits, and not where we are unwelcome."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

from scheduler import __version__
from scheduler.site.errors import WeatherUnavailable
from scheduler.weather.bounded_get import Answer, BoundedGet, TransferFailed
from scheduler.weather.strict_json import NotStrictError, parse_strict

MAX_CALLS_A_DAY = 24
MAX_ATTEMPTS = 3
# Wait before the second attempt; doubled for each further one, and times 0.5 to 1.5 at random.
FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 3600.0
# After "too many calls" nothing is asked for so long.
LIMITED_FOR = timedelta(hours=1)
# After "I do not serve you" likewise; insisting is what gets a caller banned.
REFUSED_FOR = timedelta(hours=6)
REASON_LENGTH = 160
JSON_TYPES = frozenset({"application/json"})
# MET Norway and the US service refuse who does not say whom to write to.
CONTACT_LENGTH = 120


def user_agent(contact: str | None = None) -> str:
    """Who calls. ``contact``: an address at which the household can be written to."""
    about = "garden watering by gravity"
    if contact:
        about += "; contact " + "".join(
            c for c in contact[:CONTACT_LENGTH] if c.isascii() and c.isprintable()
        )
    return f"fallinghead/{__version__} ({about})"


def wait_s(failures: int, random: Random) -> float:
    """How long to wait after so many failures (from 1 up): doubling, capped, with jitter from ``random``."""
    if failures < 1:
        raise ValueError(f"failures counts from 1, not {failures}")
    doubled_s = FIRST_WAIT_S * 2.0 ** min(failures - 1, 32)
    return min(LONGEST_WAIT_S, doubled_s * (0.5 + random.random()))


@dataclass(slots=True)
class PoliteCaller:
    """Asks one service. ``random`` is the jitter, ``sleep`` waits between attempts."""

    get: BoundedGet
    random: Random
    sleep: Callable[[float], object] = time.sleep
    say: Callable[[str], object] = lambda _: None
    max_calls_a_day: int = MAX_CALLS_A_DAY
    _calls: deque[datetime] = field(default_factory=deque)
    _left_alone: tuple[datetime, timedelta, str] | None = None

    def ask(
        self,
        url: str,
        query: Mapping[str, str],
        now: datetime,
        *,
        headers: Mapping[str, str] | None = None,
        kinds: Collection[str] = JSON_TYPES,
    ) -> Answer:
        """An answer of status 200, 203 or, where ``headers`` ask for it, 304; retries where it can help.

        Raises WeatherUnavailable (TransferFailed), with a text for people.
        """
        for attempt in range(1, MAX_ATTEMPTS + 1):
            self._allow(now)
            try:
                return self._judged(self.get.get(url, query, headers or {}), now, headers or {}, kinds)
            except TransferFailed as error:
                if not error.transient or attempt == MAX_ATTEMPTS:
                    raise type(error)(f"the weather service failed: {error}", transient=False) from error
            self.sleep(wait_s(attempt, self.random))
        raise AssertionError("the loop returns or raises")

    def _allow(self, now: datetime) -> None:
        """Counts a call; raises when there were too many. A call in the future is from a wrong clock."""
        if self._left_alone is not None:
            since, length, why = self._left_alone
            if timedelta() <= now - since < length:
                hours = length / timedelta(hours=1)
                raise WeatherUnavailable(f"the weather service {why}; it is left alone for {hours:g} h")
        while self._calls and not timedelta() <= now - self._calls[0] < timedelta(days=1):
            self._calls.popleft()
        if len(self._calls) >= self.max_calls_a_day:
            raise WeatherUnavailable(
                f"the weather service was called {self.max_calls_a_day} times within a day; no more for now"
            )
        self._calls.append(now)

    def _judged(
        self, answer: Answer, now: datetime, headers: Mapping[str, str], kinds: Collection[str]
    ) -> Answer:
        status = answer.status
        if status == 304 and "If-Modified-Since" in headers:
            return answer
        if status in (200, 203):
            if answer.content_type not in kinds:
                raise TransferFailed(
                    f"it answered with {answer.content_type[:40] or 'no content type'}, not JSON; a network "
                    "with a login page does that: log in, or use another network",
                    transient=False,
                )
            if status == 203:
                self.say(
                    "the weather service says that this version of its answers will end; look for a newer one"
                )
            return answer
        if status == 429:
            self._left_alone = now, LIMITED_FOR, "asked for fewer calls"
            raise TransferFailed(f"too many calls{_reason(answer)}", transient=False)
        if status == 403:
            self._left_alone = now, REFUSED_FOR, "refused this caller"
            raise TransferFailed(
                f"it refused this caller (status 403){_reason(answer)}; it wants to know whom to write to: "
                "name a contact for it",
                transient=False,
            )
        if status == 422:
            raise TransferFailed("it does not cover this place (status 422)", transient=False)
        if status >= 500:
            raise TransferFailed(f"it has a fault of its own (status {status})", transient=True)
        raise TransferFailed(f"it refused the question (status {status}){_reason(answer)}", transient=False)


def _reason(answer: Answer) -> str:
    """The service's own reason, made harmless, or nothing: an HTML page is none."""
    try:
        body = parse_strict(answer.body)
    except NotStrictError:
        return ""
    if not isinstance(body, dict):
        return ""
    # Open-Meteo's word, and that of problem+json (RFC 9457).
    reason = body.get("reason", body.get("detail"))
    if not isinstance(reason, str):
        return ""
    return ": " + "".join(c if c.isprintable() else " " for c in reason[:REASON_LENGTH])
