"""The barrels' balance as people read it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from scheduler.control.effects import RecordWaterDay
from scheduler.report.water_days import balance_answer, balance_rows, balance_words
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url

SITE = example_site("five-drums")
DAY = date(2031, 7, 1)


def test_unknown_is_said_and_a_loss_beyond_chance_is_named_with_what_to_do(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write(
            [
                RecordWaterDay(DAY, None, 500.0, 12.0, 0.0, 0.0, None),
                RecordWaterDay(DAY.replace(day=2), 500.0, 425.0, 10.0, 0.0, 0.0, 5.0, 0.0, 0.0, 60.0, 4.0),
                RecordWaterDay(DAY.replace(day=3), 425.0, 413.0, 11.0, 0.0, 0.0, 5.0, 0.0, 0.0, -4.0, 4.0),
            ]
        )
        answer = balance_answer(SITE, store, DAY)
    assert [d.beyond_chance for d in answer.days] == [None, True, False]
    _, rows = balance_rows(SITE, answer)
    assert rows[0][1] == "not known" and rows[0][-1] == "not known"
    assert rows[1][-1] == "60.0 L +- 8.0 L"
    text = "\n".join(balance_words(SITE, answer))
    assert "60.0 L went on 1 day that nobody accounted for" in text and "fallinghead took" in text


def test_a_garden_without_a_closed_day_says_so(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        answer = balance_answer(SITE, store, DAY)
    assert balance_words(SITE, answer) == [
        "No day is closed yet: the first balance stands after the first whole day."
    ]
