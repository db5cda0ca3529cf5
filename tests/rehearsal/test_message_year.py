"""Weeks of a garden with troubles through the message rules: few messages, true ones, at decent hours.

A whole year is rehearsed by hand: ``python -m tests.support.message_year 2013-03-01 2014-02-28``.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from scheduler.alerts.message import BODY_LENGTH, HEADINGS, TITLE_LENGTH, message
from scheduler.alerts.pacing import awake
from scheduler.control.effects import Alert
from tests.support.message_truth import frosts_told, untrue
from tests.support.message_year import HOUSEHOLD, Sent, Trouble, Year, by_week, told_twice

FIRST, LAST = date(2013, 7, 8), date(2013, 7, 28)
# Words that a household need not know, and marks of a program's own names.
JARGON = re.compile(r"\b(MQTT|broker|daemon|stderr|None|null|NaN|exception|payload|API)\b|\w_\w")


def _at(day: int, hour: float) -> datetime:
    return datetime(2013, 7, day, 7, tzinfo=UTC) + timedelta(hours=hour)  # midnight there is 07:00 UTC


@pytest.fixture(scope="module")
def weeks() -> Year:
    """Three dry weeks from barrels half full: a radio that flickers and dies, a sensor and a forecast away,
    a filter that clogs."""
    troubles = [
        *(Trouble("node", _at(day, 13.0), _at(day, 13.3)) for day in range(9, 20)),  # flickers, a packet lost
        Trouble("node", _at(12, 22.0), _at(13, 4.0)),  # over before anybody wakes
        Trouble("node", _at(22, 1.0), _at(23, 20.0)),  # away for two days, and the sensor with it
        Trouble("sensor", _at(15, 3.0), _at(17, 9.0)),
        Trouble("forecast", _at(18, 0.0), _at(20, 12.0)),
        Trouble("clog", _at(9, 0.0), _at(31, 0.0)),
    ]
    return Year(FIRST, LAST, 1, troubles, start_level_m=0.4).live()


def test_what_is_told_is_true_and_every_lasting_trouble_is_told(weeks: Year) -> None:
    assert untrue(weeks) == []
    told = {a.kind for s in weeks.sent for a in s.alerts}
    assert {"node_silent", "level_unknown", "forecast_stale", "run_short", "care_due"} <= told
    assert told & {"runs_out", "near_empty"}


def test_nothing_is_told_twice_on_a_day_nor_chatters(weeks: Year) -> None:
    assert told_twice(weeks) == []
    # Eleven lost packets and a night without radio are not told; two days without the node are one message.
    assert sum(a.kind == "node_silent" for s in weeks.sent for a in s.alerts) == 1


def test_a_silent_node_is_one_message_not_five(weeks: Year) -> None:
    begins, ends = _at(22, 1.0), _at(24, 8.0)
    told = [a.kind for s in weeks.sent for a in s.alerts if begins <= a.at < ends]
    assert told.count("node_silent") == 1
    assert not set(told) & {"level_unknown", "level_doubtful", "supply_low", "run_interrupted"}


def test_messages_are_few_and_come_at_decent_hours(weeks: Year) -> None:
    assert len(by_week(weeks)) == 3
    # The trade: at most a few pushes a week. These weeks hold five troubles and a dry spell.
    assert max(by_week(weeks)) <= 5
    for sent in weeks.sent:
        assert sent.message.urgent or awake(HOUSEHOLD, sent.at.astimezone(weeks.site.place.timezone))


def test_every_message_has_garden_quantity_cause_remedy_time_and_consequence(weeks: Year) -> None:
    for sent in weeks.sent:
        title, body = sent.message.title, sent.message.body
        assert title.startswith(weeks.site.name) and len(title) <= TITLE_LENGTH and len(body) <= BODY_LENGTH
        parts = body.split("\n\n")
        assert len(parts) == len(sent.alerts)
        for part in parts:
            cause, remedy, otherwise = part.splitlines()
            assert cause.startswith(f"{weeks.site.name}: ") and re.search(r"\d", cause.split(": ", 1)[1])
            assert re.match(r"What to do, [a-z' ]+: [A-Z]", remedy)
            assert re.match(r"If nothing is done: [A-Z].*\.$", otherwise)
            # What an eye takes in on a lock screen (a choice of this project).
            assert len(cause) <= 220 and len(remedy) <= 260 and len(otherwise) <= 100


def test_messages_are_plain(weeks: Year) -> None:
    for sent in weeks.sent:
        said = sent.message.body
        assert not JARGON.search(said), said
        for sentence in re.split(r"[.;:]\s", said):
            assert len(sentence.split()) <= 25, sentence


def test_a_frost_is_told_as_the_forecast_that_it_is(weeks: Year) -> None:
    """What was forecast was true to say; with another night or another temperature it would not have been."""
    at = datetime(2013, 7, 28, 6, tzinfo=UTC)
    night = date(2013, 7, 29)
    newest = weeks.shell.forecasts[-1]
    frost = tuple(replace(d, tmin_c=-1.5) if d.day == night else d for d in newest.days)

    def said(text: str) -> bool:
        alert = Alert("frost", "", f"{weeks.site.name}: {text}", "", False, at)
        sent = Sent(at, message(alert, weeks.site.name), [alert])
        cold = SimpleNamespace(forecasts=[replace(newest, days=frost, fetched_at=at - timedelta(hours=1))])
        return untrue(SimpleNamespace(sent=[sent], shell=cold, site=weeks.site, troubles=())) == []  # type: ignore[arg-type]

    assert said("frost is forecast for Monday 29 July, -1.5 °C at the least.")
    assert not said("frost is forecast for Monday 29 July, -4.5 °C at the least.")
    assert not said("frost is forecast for Tuesday 30 July, -1.5 °C at the least.")
    assert not said("frost is coming.")
    assert frosts_told(weeks) == (0, 0, 0)  # of July nothing is told
    assert "coming" not in HEADINGS["frost"] and "forecast" in HEADINGS["frost"]
