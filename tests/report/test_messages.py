"""What was raised is listed whether anybody was told of it or not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import Alert, RaiseAlert
from scheduler.report.messages import as_told, messages_answer, messages_words
from scheduler.report.status import status_answer, status_words
from scheduler.site.examples import example_site
from scheduler.store.asking_people import Telling
from scheduler.store.store import Store, store_url

SITE = example_site("five-drums")
NOW = datetime(2012, 8, 7, 6, 50, tzinfo=UTC)
SHORT = Alert("run_short", "pots", "The pots got too little.", "Look.", False, NOW - timedelta(days=2))
EMPTY = Alert("near_empty", "", "The barrels are nearly empty.", "Top up.", False, NOW - timedelta(days=1))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as made:
        made.write([RaiseAlert(SHORT), RaiseAlert(EMPTY)])
        yield made


def test_what_was_raised_and_told_to_nobody_is_listed_newest_first(store: Store) -> None:
    answer = messages_answer(SITE, store, NOW, 14)
    assert [(t.kind, t.status, t.person) for t in answer.told] == [
        ("near_empty", "to_nobody", ""),
        ("run_short", "to_nobody", ""),
    ]
    lines = messages_words(SITE, answer, NOW, 14)
    assert "Sun 5 August 23:50: raised, told to nobody: The barrels are nearly empty." in lines
    assert not any("nobody was told anything" in line for line in lines)
    assert "no address was set up" in lines[-1]
    assert "[[person]]" in messages_words(replace(SITE, people=()), answer, NOW, 14)[-1]
    assert "practice" in messages_words(SITE, answer, NOW, 14, practice_over=True)[-1]


def test_what_was_told_is_not_listed_a_second_time(store: Store) -> None:
    store.save_telling(Telling(SHORT.kind, SHORT.subject, SHORT.at, "Ana", "told", NOW))
    answer = messages_answer(SITE, store, NOW, 14)
    assert [(t.kind, t.status) for t in answer.told] == [("run_short", "told"), ("near_empty", "to_nobody")]
    assert any(
        "reached Ana: The pots got too little." in line for line in messages_words(SITE, answer, NOW, 14)
    )


def test_where_nothing_was_raised_it_says_so(store: Store) -> None:
    answer = messages_answer(SITE, store, NOW + timedelta(days=40), 14)
    assert answer.told == []
    told = "Nothing was raised and nobody was told anything in the last"
    assert messages_words(SITE, answer, NOW, 14)[-1] == f"{told} 14 days."
    assert messages_words(SITE, answer, NOW, 1)[-1] == f"{told} 24 hours."


def test_what_stands_since_another_day_is_told_as_of_that_day(store: Store) -> None:
    """Its figures are of then: "lasts until Saturday" is no word of today once Saturday is over."""
    lasts = "the stored water lasts until about Saturday 01 September (2 to 3 days)."
    now = datetime(2012, 9, 21, 19, tzinfo=UTC)
    told = Alert("runs_out", "", f"{SITE.name}: {lasts}", "Top up.", False, now - timedelta(days=23))
    fresh = Alert("frost", "", "Frost is coming.", "Drain.", False, now - timedelta(hours=1))
    store.write([RaiseAlert(told), RaiseAlert(fresh)])
    as_of = f"told on Wednesday 29 August: {SITE.name}: {lasts} Top up."
    lines = messages_words(SITE, messages_answer(SITE, store, now, 1), now, 1)
    assert f"Stands: {as_of}" in lines and "Stands: Frost is coming. Drain." in lines
    assert "To put that off: fallinghead quiet frost --until DAY." in lines
    status = status_words(SITE, status_answer(SITE, store, now, running=True))
    assert f"Alert: {as_of}" in status and "Alert: Frost is coming. Drain." in status


def test_the_day_of_a_message_is_the_garden_s_own(store: Store) -> None:
    evening = NOW.replace(hour=5)  # 22:00 of 6 August in the garden
    assert as_told(SITE, evening, "Look.", evening.date() - timedelta(days=1)) == "Look."
