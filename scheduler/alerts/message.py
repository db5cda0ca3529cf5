"""An alert as the few lines that reach a phone: which garden, what, how much, why, what to do and until when,
what happens if nothing is done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from zoneinfo import ZoneInfo

from scheduler.control.effects import Alert, AlertKind

HEADINGS: Mapping[AlertKind, str] = {
    "near_empty": "barrels nearly empty",
    "runs_out": "water will run out",
    "out_of_reach": "water too low for some plants",
    "run_short": "less water came than planned",
    "run_over": "more water came than planned",
    "valve_not_shut": "a valve is not proven shut",
    "level_unknown": "water level not known",
    "level_doubtful": "level sensor or water: something is odd",
    "node_silent": "valve node does not answer",
    "forecast_stale": "forecast is old",
    "order_refused": "valve node refused an order",
    "order_declined": "valve node does not do what it is told",
    "order_unreached": "orders do not reach the valve node",
    "link_breaks": "a connection breaks again and again",
    "run_interrupted": "a run was cut off",
    "clock_unknown": "time of day not known",
    "store_failed": "records cannot be written",
    "supply_low": "valve node is low on power",
    "water_lost": "water goes that nobody accounts for",
    "records_lost": "ends of runs were lost at the node",
    "frost": "frost is forecast",
    "winter_over": "time to bring the garden back",
    "care_due": "care is due",
    "channel_dead": "messages do not get through",
}
# Until when, and what happens otherwise. A day that is known stands in the alert's own text.
UNTIL: Mapping[AlertKind, str] = {
    "near_empty": "within a day",
    "runs_out": "before that day",
    "out_of_reach": "before they are due",
    "run_short": "before the zone's next run",
    "run_over": "today",
    "valve_not_shut": "now",
    "level_unknown": "within two days",
    "level_doubtful": "this week",
    "node_silent": "today",
    "forecast_stale": "this week",
    "order_refused": "now",
    "order_declined": "today",
    "order_unreached": "today",
    "link_breaks": "today",
    "run_interrupted": "if it happens again",
    "clock_unknown": "today",
    "store_failed": "today",
    "supply_low": "within two days",
    "water_lost": "this week",
    "records_lost": "this week",
    "frost": "before that night",
    "winter_over": "when you want it watered again",
    "care_due": "this week",
    "channel_dead": "this week",
}
OTHERWISE: Mapping[AlertKind, str] = {
    "near_empty": "Watering ends when only the reserve is left.",
    "runs_out": "After that day nothing is watered until it rains.",
    "out_of_reach": "The whole zone goes without until the water stands higher.",
    "run_short": "The plants of the zone get too little.",
    "run_over": "The barrels empty sooner than planned.",
    "valve_not_shut": "The barrels may run empty.",
    "level_unknown": "Two days after the last level nothing is watered.",
    "level_doubtful": "Runs may be too long or too short.",
    "node_silent": "Nothing is watered until it answers. A valve shuts by its own clock.",
    "forecast_stale": "Runs follow the last days, not the coming ones.",
    "order_refused": "A stranger may go on trying. The node opens for no order but ours.",
    "order_declined": "The zone gets no water, or less than planned.",
    "order_unreached": "Nothing is watered. Closing may not get through either; a run ends by its own time.",
    "link_breaks": "Runs may be late or fall out. No order of a stranger is obeyed.",
    "run_interrupted": "The plants of the zone get less than planned.",
    "clock_unknown": "Nothing is watered until it is known.",
    "store_failed": "Nothing is watered until it can be written.",
    "supply_low": "The node shuts its valves and stays off.",
    "water_lost": "The barrels empty sooner than planned.",
    "records_lost": "The litres in the books may be too few.",
    "frost": "Ice may split valve, filter, taps and barrels.",
    "winter_over": "The garden stays dry.",
    "care_due": "Emitters clog and filters hold the water back, little by little.",
    "channel_dead": "That person learns of nothing.",
}
# What a phone's lock screen and the shortest message services can carry (from memory).
TITLE_LENGTH = 100
BODY_LENGTH = 1000


@dataclass(frozen=True, slots=True)
class Message:
    """Plain text. The title is one line."""

    title: str
    body: str
    urgent: bool


def as_of(alert: Alert, garden: str, zone: ZoneInfo, today: date) -> Alert:
    """What waited for a person to another day: its figures are of the day on which it was raised."""
    day = alert.at.astimezone(zone).date()
    if day == today:
        return alert
    text = alert.text.removeprefix(f"{garden}: ")
    return replace(alert, text=f"{garden}: as of {day:%A} {day.day} {day:%B}: {text}")


def message(alert: Alert, garden: str) -> Message:
    """The message of an alert in the garden of that name."""
    mark = "Urgent: " if alert.urgent else ""
    title = _one_line(f"{mark}{garden}: {HEADINGS[alert.kind]}")
    return Message(_cut(title, TITLE_LENGTH), _cut("\n".join(_lines(alert)), BODY_LENGTH), alert.urgent)


def digest(alerts: Sequence[Alert], garden: str) -> Message:
    """Several things that are not urgent, in one message; of one alone it is its own message."""
    if len(alerts) == 1:
        return message(alerts[0], garden)
    title = _one_line(f"{garden}: {len(alerts)} things to look at")
    room = BODY_LENGTH
    parts: list[str] = []
    for number, alert in enumerate(alerts):
        text = "\n".join(_lines(alert))
        left = len(alerts) - number
        more = f"And {left} more: they stand on the page."
        if parts and len(text) + 2 + len(more) > room:
            parts.append(more)
            break
        parts.append(text)
        room -= len(text) + 2
    return Message(_cut(title, TITLE_LENGTH), _cut("\n\n".join(parts), BODY_LENGTH), urgent=False)


def _lines(alert: Alert) -> list[str]:
    lines = [_one_line(alert.text)]
    if alert.advice:
        lines.append(f"What to do, {UNTIL[alert.kind]}: {_one_line(alert.advice)}")
    lines.append(f"If nothing is done: {OTHERWISE[alert.kind]}")
    return lines


def _one_line(text: str) -> str:
    """Without control characters: a line break in a title could forge the head of a mail."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1] + "…"
