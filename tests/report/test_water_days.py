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
    assert "60.0 L +- 8.0 L went on 1 day that nobody accounted for" in text and "fallinghead took" in text
    # 5 L of leak are in the books already: what went beside is not called by its name.
    assert "for: more than the leak that is counted, a tap" in text


def _off(tmp_path: Path, *rests: tuple[float, float]) -> str:
    """What is said of days that are off by so much, with such an sd, while no leak is known."""
    days = [
        RecordWaterDay(DAY.replace(day=n), 500.0, 490.0, 10.0, 0.0, 0.0, None, 0.0, 0.0, rest_l, sd_l)
        for n, (rest_l, sd_l) in enumerate(rests, start=1)
    ]
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write(days)
        said = balance_words(SITE, balance_answer(SITE, store, DAY))
    return "\n".join(said)


def test_a_day_just_outside_its_doubt_is_no_water_lost(tmp_path: Path) -> None:
    """By the normal law 1 day in 22 lies beyond 2 sd: 10.2 L with an sd of 4.4 L, in a week of +1.7 L."""
    week = [(10.2, 4.4), (-6.1, 4.4), (-1.4, 4.1), (2.0, 4.3), (-3.2, 4.2), (0.9, 4.0), (-0.7, 4.1)]
    assert _off(tmp_path, *week) == (
        "1 day of 7 closes just outside what the level sensor can tell; by chance about 1 day in 20 does."
    )


def test_several_days_are_told_with_the_doubt_of_their_sum(tmp_path: Path) -> None:
    """Errors that do not hang together: twice the root of 3 x 3 + 4 x 4 = 10 L (JCGM 100, 5.1.2)."""
    text = _off(tmp_path, (20.0, 3.0), (-40.0, 4.0), (30.0, 4.0))
    assert "50.0 L +- 10.0 L went on 2 days that nobody accounted for: a leak, a tap" in text
    assert "40.0 L +- 8.0 L more than accounted for came on 1 day" in text
    assert "just outside" not in text


def test_days_within_their_doubt_close(tmp_path: Path) -> None:
    said = _off(tmp_path, (7.9, 4.0), (-7.9, 4.0))
    assert said == "Every day that is known closes within what the level sensor can tell."


def test_a_garden_without_a_closed_day_says_so(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        answer = balance_answer(SITE, store, DAY)
    assert balance_words(SITE, answer) == [
        "No day is closed yet: the first balance stands after the first whole day."
    ]
