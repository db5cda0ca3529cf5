"""When a condition becomes an alert, and when it is over.

On-delay, off-delay, deadband and re-alarm time as in OPC UA Part 9 and ANSI/ISA-18.2; the numbers are
proposals of the trade notes (common practice, no source). A condition says True, False, or None for
"in the deadband": then nothing changes. One cause, one alert: a rule may be hidden by another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import NamedTuple

from scheduler.control.effects import Alert, AlertKind

MINUTE_S = 60.0
HOUR_S = 3600.0
DAY_S = 86400.0
# An urgent thing that comes and goes is told at most this often (ISA-18.2: no alarm chatters).
URGENT_AGAIN_S = HOUR_S


@dataclass(frozen=True, slots=True)
class AlarmRule:
    on_delay_s: float
    off_delay_s: float
    realarm_s: float
    urgent: bool
    hidden_by: tuple[AlertKind, ...] = ()
    shadow_s: float = 0.0  # it hides others for so long after its own end


RULES: dict[AlertKind, AlarmRule] = {
    "valve_not_shut": AlarmRule(30.0, 0.0, DAY_S, True),
    "near_empty": AlarmRule(30 * MINUTE_S, HOUR_S, 7 * DAY_S, False, ("level_unknown",)),
    # Later than "near_empty", which tells the same of the last litres.
    "runs_out": AlarmRule(HOUR_S, DAY_S, 3 * DAY_S, False, ("level_unknown", "near_empty")),
    "out_of_reach": AlarmRule(30 * MINUTE_S, HOUR_S, 7 * DAY_S, False, ("level_unknown", "near_empty")),
    "run_short": AlarmRule(0.0, 0.0, 7 * DAY_S, False),
    "run_over": AlarmRule(0.0, 0.0, 7 * DAY_S, False),
    "level_unknown": AlarmRule(0.0, 15 * MINUTE_S, 3 * DAY_S, False, ("node_silent",)),
    "level_doubtful": AlarmRule(HOUR_S, HOUR_S, 3 * DAY_S, False, ("level_unknown", "node_silent")),
    # The first readings after it are believed once three agree, of a node that speaks each half hour.
    "node_silent": AlarmRule(30 * MINUTE_S, 10 * MINUTE_S, 3 * DAY_S, False, shadow_s=90 * MINUTE_S),
    "forecast_stale": AlarmRule(0.0, HOUR_S, 7 * DAY_S, False),
    "order_refused": AlarmRule(0.0, HOUR_S, DAY_S, True),
    "order_declined": AlarmRule(0.0, HOUR_S, DAY_S, False),
    "order_unreached": AlarmRule(0.0, 0.0, DAY_S, False),
    "link_breaks": AlarmRule(0.0, HOUR_S, DAY_S, False),
    "run_interrupted": AlarmRule(0.0, 0.0, DAY_S, False),
    "clock_unknown": AlarmRule(HOUR_S, MINUTE_S, 3 * DAY_S, False),
    "store_failed": AlarmRule(0.0, MINUTE_S, DAY_S, True),
    "water_lost": AlarmRule(0.0, 0.0, 7 * DAY_S, False, ("level_unknown",)),
    "records_lost": AlarmRule(0.0, DAY_S, 7 * DAY_S, False),
    "supply_low": AlarmRule(30 * MINUTE_S, HOUR_S, 3 * DAY_S, False, ("node_silent",)),
    "frost": AlarmRule(0.0, DAY_S, 14 * DAY_S, False),
    "winter_over": AlarmRule(0.0, 0.0, 7 * DAY_S, False),
    # These two are found where messages are sent, not by the controller.
    "care_due": AlarmRule(0.0, 0.0, 7 * DAY_S, False),
    "channel_dead": AlarmRule(0.0, 0.0, DAY_S, False),
}


@dataclass(frozen=True, slots=True)
class AlarmMemory:
    """One rule's state for one subject. Times of a condition run on the monotonic clock; what people were
    told is kept in wall time, because it must hold across restarts."""

    kind: AlertKind
    subject: str
    raised_at: datetime | None = None  # None: not raised now
    told_at: datetime | None = None  # the last time anybody was told
    told_day: date | None = None  # the local day of that
    on_since_mono_s: float | None = None
    off_since_mono_s: float | None = None
    over_mono_s: float | None = None  # its last end

    def hides(self, monotonic_s: float) -> bool:
        """Whether it explains others: it is raised, or was a short time ago."""
        over_s, shadow_s = self.over_mono_s, RULES[self.kind].shadow_s
        return self.raised_at is not None or (over_s is not None and monotonic_s - over_s < shadow_s)

    def at_rest(self, active: bool | None) -> bool:
        """Whether this verdict leaves all as it is: nothing is raised, and nothing was or is wrong."""
        if active or self.raised_at is not None or self.on_since_mono_s is not None:
            return False
        return (active is None) == (self.off_since_mono_s is None)


def _nothing() -> str:
    return ""


class Condition(NamedTuple):
    """Whether something is wrong now (None: in the deadband), and what to say about it."""

    active: bool | None
    text: Callable[[], str] = _nothing  # asked for only when somebody is told
    advice: str = ""
    urgent: bool | None = None  # None: as the rule says


# Most conditions are one of these at most looks: made once, and known by identity.
WELL, NEITHER = Condition(False), Condition(None)


class Verdict(NamedTuple):
    memory: AlarmMemory
    alert: Alert | None = None
    cleared: bool = False


def judge(
    memory: AlarmMemory,
    condition: Condition,
    *,
    wall: datetime,
    monotonic_s: float,
    local_day: date,
    hidden: bool = False,
) -> Verdict:
    """One look at one condition. ``hidden``: a rule that explains this one is raised already."""
    rule = RULES[memory.kind]
    if condition.active is None:
        if memory.on_since_mono_s is None and memory.off_since_mono_s is None:
            return Verdict(memory)
        return Verdict(replace(memory, on_since_mono_s=None, off_since_mono_s=None))
    if condition.active:
        return _while_on(memory, rule, condition, wall, monotonic_s, local_day, hidden)
    return _while_off(memory, rule, monotonic_s)


def _while_on(
    memory: AlarmMemory,
    rule: AlarmRule,
    condition: Condition,
    wall: datetime,
    monotonic_s: float,
    local_day: date,
    hidden: bool,
) -> Verdict:
    since = memory.on_since_mono_s if memory.on_since_mono_s is not None else monotonic_s
    if memory.on_since_mono_s is None or memory.off_since_mono_s is not None:
        memory = replace(memory, on_since_mono_s=since, off_since_mono_s=None)
    if hidden or monotonic_s - since < rule.on_delay_s:
        return Verdict(memory)
    raised = memory if memory.raised_at is not None else replace(memory, raised_at=wall)
    told_ago_s = (wall - memory.told_at).total_seconds() if memory.told_at else rule.realarm_s
    # Nobody is told the same thing twice in a day; an urgent thing that was over and is back is a new thing.
    back = rule.urgent and memory.raised_at is None and told_ago_s >= URGENT_AGAIN_S
    if memory.told_day == local_day and not back:
        return Verdict(raised)
    if memory.raised_at is not None and told_ago_s < rule.realarm_s:
        return Verdict(raised)
    told = replace(raised, told_at=wall, told_day=local_day)
    urgent = rule.urgent if condition.urgent is None else condition.urgent
    alert = Alert(memory.kind, memory.subject, condition.text(), condition.advice, urgent, wall)
    return Verdict(told, alert)


def _while_off(memory: AlarmMemory, rule: AlarmRule, monotonic_s: float) -> Verdict:
    since = memory.off_since_mono_s if memory.off_since_mono_s is not None else monotonic_s
    if memory.off_since_mono_s is None or memory.on_since_mono_s is not None:
        memory = replace(memory, on_since_mono_s=None, off_since_mono_s=since)
    if memory.raised_at is None or monotonic_s - since < rule.off_delay_s:
        return Verdict(memory)
    return Verdict(replace(memory, raised_at=None, over_mono_s=monotonic_s), cleared=True)
