"""When a message may go to a person: urgent ones at any hour, the others while he is awake or once a day.

What waits for one person goes in one message; what was over before it went is not sent; what another message
explains waits while that stands, and is not sent once that was told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from scheduler.control.effects import Alert, AlertKind, RecordChoice
from scheduler.control.household import away_of, quiet_until
from scheduler.site.model import Person

Pace = Literal["waking", "daily"]
# "waking": as soon as the person is awake, for water is lost or missing meanwhile. "daily": once a day with
# whatever else there is. Which is which is a choice of this project; that only a valve that is not shut is
# worth a night's sleep, and that the rest goes in a digest, is the trade's habit (no source).
PACE: Mapping[AlertKind, Pace] = {
    "near_empty": "waking",
    "runs_out": "waking",
    "out_of_reach": "waking",
    "run_over": "waking",
    "level_unknown": "waking",
    "node_silent": "waking",
    "clock_unknown": "waking",
    "frost": "waking",
    "channel_dead": "waking",
}
# Longer than this nobody waits for the once-a-day message of a person whose hours make no sense.
DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Pacing:
    """``wall``: the time of day; ``choices``: what people told, newest of each (away, put off)."""

    zone: ZoneInfo
    wall: Callable[[], datetime]
    choices: Callable[[], Sequence[RecordChoice]]

    def meant_for(self, alert: Alert, person: Person) -> bool:
        """Whether this person is told of such a thing at all."""
        if person.urgent_only and not alert.urgent:
            return False
        return not person.while_away or self.away()

    def away(self) -> bool:
        """Whether the household told that it is away today."""
        today = self.wall().astimezone(self.zone).date()
        span = away_of(self.choices(), today)
        return span is not None and span.holds(today)

    def may_go(self, alert: Alert, person: Person, since: datetime) -> bool:
        """Whether it may be sent now; ``since``: when it began to wait."""
        if alert.urgent:
            return True
        now = self.wall()
        local = now.astimezone(self.zone)
        if self.put_off(alert) or not awake(person, local):
            return False
        return PACE.get(alert.kind, "daily") == "waking" or self._hour_passed(person, since, now)

    def put_off(self, alert: Alert) -> bool:
        """Whether a person asked not to be told of such before a day that is still to come."""
        until = quiet_until(self.choices()).get(alert.kind)
        return until is not None and self.wall().astimezone(self.zone).date() < until and not alert.urgent

    def _hour_passed(self, person: Person, since: datetime, now: datetime) -> bool:
        """Whether the hour of the day's message has come since then; also after a clock that went back."""
        if now - since >= DAY or now < since:
            return True
        local = since.astimezone(self.zone)
        at = local.replace(hour=person.wakes.hour, minute=person.wakes.minute, second=0, microsecond=0)
        return now >= (at if at >= local else at + DAY)


def awake(person: Person, local: datetime) -> bool:
    """Whether it is between the person's hours, which may pass midnight."""
    now = local.time()
    if person.wakes <= person.sleeps:
        return person.wakes <= now < person.sleeps
    return now >= person.wakes or now < person.sleeps
