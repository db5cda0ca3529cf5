from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import get_args

from scheduler.alerts.message import HEADINGS, message
from scheduler.control.effects import Alert, AlertKind

ALERT = Alert(
    kind="near_empty",
    subject="",
    text="Rill Garden has 42 L left above the reserve, 6 % of the barrels.",
    advice="Top up, or hold the lavender until rain.",
    urgent=False,
    at=datetime(2031, 6, 10, 12, tzinfo=UTC),
)


def test_every_kind_of_alert_has_a_heading_of_its_own() -> None:
    assert set(HEADINGS) == set(get_args(AlertKind))
    assert len(set(HEADINGS.values())) == len(HEADINGS)


def test_a_message_names_garden_quantity_cause_and_what_to_do() -> None:
    made = message(ALERT, "Rill Garden")
    assert made.title == "Rill Garden: barrels nearly empty"
    assert made.body.splitlines() == [
        ALERT.text,
        f"What to do, within a day: {ALERT.advice}",
        "If nothing is done: Watering ends when only the reserve is left.",
    ]
    assert not made.urgent


def test_an_urgent_message_says_so_first() -> None:
    assert message(replace(ALERT, urgent=True), "Rill Garden").title.startswith("Urgent: Rill Garden")


def test_line_breaks_cannot_forge_a_title_and_lengths_are_bounded() -> None:
    made = message(replace(ALERT, text="x" * 5000), "Rill\r\nBcc: all@garden.example")
    assert "\n" not in made.title and "\r" not in made.title
    assert len(made.body) == 1000 and made.body.endswith("…")
    assert len(message(ALERT, "g" * 500).title) == 100
