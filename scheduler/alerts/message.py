"""An alert as the few lines that reach a phone: which garden, what, how much, why, what to do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.control.effects import Alert, AlertKind

HEADINGS: Mapping[AlertKind, str] = {
    "near_empty": "barrels nearly empty",
    "runs_out": "water will run out",
    "run_short": "less water came than planned",
    "run_over": "more water came than planned",
    "valve_not_shut": "a valve is not proven shut",
    "level_unknown": "water level not known",
    "level_doubtful": "level sensor or water: something is odd",
    "node_silent": "valve node does not answer",
    "forecast_stale": "forecast is old",
    "order_refused": "valve node refused an order",
    "run_interrupted": "a run was cut off",
    "clock_unknown": "time of day not known",
    "store_failed": "records cannot be written",
    "supply_low": "valve node is low on power",
    "water_lost": "water goes that nobody accounts for",
    "records_lost": "ends of runs were lost at the node",
    "frost": "frost is coming",
    "winter_over": "time to bring the garden back",
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


def message(alert: Alert, garden: str) -> Message:
    """The message of an alert in the garden of that name."""
    mark = "Urgent: " if alert.urgent else ""
    title = _one_line(f"{mark}{garden}: {HEADINGS[alert.kind]}")
    lines = [_one_line(alert.text)]
    if alert.advice:
        lines.append(f"What to do: {_one_line(alert.advice)}")
    return Message(_cut(title, TITLE_LENGTH), _cut("\n".join(lines), BODY_LENGTH), alert.urgent)


def _one_line(text: str) -> str:
    """Without control characters: a line break in a title could forge the head of a mail."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1] + "…"
