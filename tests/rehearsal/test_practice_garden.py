"""The practice garden's clock and board; and one practice day with the real daemon, broker and firmware."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from typing import cast

import pytest

from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import NOTHING_HIDDEN, draw_truth
from scheduler.rehearsal.practice import Glimpse, Practice
from scheduler.rehearsal.practice_pace import PACE_AT_REST, PACE_ORDERED
from scheduler.rehearsal.practice_parts import PACE_HELD, GardenBoard, PracticeClock
from scheduler.rehearsal.practice_view import EachDay, alerts_raised, glimpse_text, tally_table
from scheduler.report.why import why_answer
from scheduler.service.daemon import Daemon
from scheduler.service.practised import practice_ended
from scheduler.store.store import Store, store_url
from tests.support.driving import Driver
from tests.support.gardens import small_garden

START = datetime(2031, 7, 1, 7, tzinfo=UTC)


def test_the_practice_clock_never_goes_back_when_its_pace_changes() -> None:
    clock = PracticeClock(START, 10_000.0)
    seen = []
    for pace in (10_000.0, 100.0, 20_000.0, 1.0):
        clock.set_pace(pace)
        assert clock.delay_s(300.0) == pytest.approx(300.0 / pace)
        seen += [clock.now(), clock.now()]
    assert seen == sorted(seen, key=lambda n: n.monotonic_s)
    assert all(n.wall == START + timedelta(seconds=n.monotonic_s) for n in seen)


def test_the_practice_clock_crawls_where_it_must_wait_however_long_nobody_looks(monkeypatch) -> None:
    real_s = [100.0]
    monkeypatch.setattr("scheduler.rehearsal.practice_parts.time.monotonic", lambda: real_s[0])
    clock = PracticeClock(START, 30_000.0)
    clock.set_pace(30_000.0, until_s=600.0)
    real_s[0] += 2.0  # a machine that was busy: 60,000 s at full pace
    held_s = clock.now().monotonic_s
    assert 600.0 < held_s <= 600.0 + 2.0 * PACE_HELD
    clock.set_pace(30_000.0, until_s=held_s + 900.0)
    real_s[0] += 0.02
    assert clock.now().monotonic_s == pytest.approx(held_s + 600.0)


def test_no_time_passes_while_the_practice_clock_stands(monkeypatch) -> None:
    real_s = [100.0]
    monkeypatch.setattr("scheduler.rehearsal.practice_parts.time.monotonic", lambda: real_s[0])
    clock = PracticeClock(START, 30_000.0)
    real_s[0] += 0.01
    clock.stand(True)
    real_s[0] += 5.0
    clock.set_pace(10.0)
    real_s[0] += 5.0
    assert clock.now().monotonic_s == pytest.approx(300.0)
    clock.stand(False)
    real_s[0] += 1.0
    assert clock.now().monotonic_s == pytest.approx(310.0)


def test_a_machine_that_is_slow_to_decide_lets_no_time_pass_and_goes_on_at_the_pace_of_an_order(
    site, make_weather, monkeypatch
) -> None:
    days = make_weather(date(2031, 7, 1), 8)
    real_s = [100.0]
    monkeypatch.setattr("scheduler.rehearsal.practice_parts.time.monotonic", lambda: real_s[0])
    practice = Practice(site, days, date(2031, 7, 1), 2)
    driver = Driver(small_garden())
    driver.ready()
    state = driver.state
    practice._daemon = cast(Daemon, SimpleNamespace(shell=SimpleNamespace(state=state)))
    practice.clock.set_pace(PACE_AT_REST)
    before_s = practice.clock.now().monotonic_s
    with practice.around():
        real_s[0] += 3.0
        driver.to_first_order()
        practice._daemon.shell = SimpleNamespace(state=driver.state)  # type: ignore[assignment]
    real_s[0] += 1.0
    assert practice.clock.now().monotonic_s == pytest.approx(before_s + PACE_ORDERED)


def test_the_board_moves_the_gardens_valve_and_reads_its_switches(site, make_weather) -> None:
    days = make_weather(date(2031, 7, 1), 2)
    garden = TrueGarden(site, draw_truth(site, 1, NOTHING_HIDDEN), days, START, START + timedelta(days=2))
    board = GardenBoard(site, garden, PracticeClock(START, 1e6))
    assert board.respond({"motor": {}, "measure": False})["switches"][0] == [False, True]
    board.respond({"motor": {"0": "open"}, "measure": False})
    answer = {"switches": [[False, False]]}
    for _ in range(10_000):
        answer = board.respond({"motor": {"0": "open"}, "measure": True})
        if answer["switches"][0] == [True, False]:
            break
    assert answer["switches"] == [[True, False], [False, True]]
    assert len(answer["pings"]) >= 3
    assert garden.plant_l["tomatoes"] > 0.0


def test_how_many_alerts_were_raised_is_said_in_words() -> None:
    assert [alerts_raised(n) for n in (0, 1, 3)] == [
        "No alert was raised.",
        "1 alert was raised.",
        "3 alerts were raised.",
    ]


@pytest.mark.slow
def test_a_practice_of_three_days_waters_and_ends_by_itself(site, make_weather, tmp_path) -> None:
    small = replace(site, zones=site.zones[:1], plants=site.plants[:2])
    first = date(2031, 7, 1)
    glimpses = []
    days = make_weather(first - timedelta(days=8), 24)
    practice = Practice(small, days, first, 3, seed=2, keep=tmp_path / "kept")
    lines: list[str] = []
    each_day = EachDay(small, lines.append)

    def view(glimpse: Glimpse) -> None:
        glimpses.append(glimpse)
        each_day(glimpse)

    ended = practice.run(view)
    # In a pipe: one line for each day, with what it says in the garden's units.
    assert [line.split(",")[0] for line in lines] == ["Day 1 of 3", "Day 2 of 3", "Day 3 of 3"]
    assert all(" L above the outlet, " in line for line in lines)
    assert abs(ended.imbalance_l) < 1e-6
    assert practice.clock.now().wall >= practice.stops
    assert glimpses and "Day 1 of 3" in glimpse_text(glimpses[0], small)
    assert tally_table(ended, small).row_count == 2
    # Its store is kept, with the hour of that garden: what was planned and booked can be asked of it.
    over = practice_ended({"FALLINGHEAD_STATE": str(tmp_path / "kept")})
    # That hour is the evening of the last day, so that what it planned is today's.
    assert over is not None and practice.stops <= over
    assert over.astimezone(small.place.timezone).date() == first + timedelta(days=2)
    path = tmp_path / "kept" / f"{small.id}.db"
    with Store(store_url(path), small.id, service=False) as kept:
        assert len(kept.bookings_since(first)) == ended.runs
        plan = kept.last_plan()
        assert plan is not None and plan.made_at <= over
        assert why_answer(small, kept, first + timedelta(days=2)).day == plan.day
