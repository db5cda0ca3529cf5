"""The thirty questions of a household and a fitter: what to type or where to tap, and where that is proven.

Each is answered by one command, or by the page within two taps of the first view; where it takes more, the
table says so. The proof is a test elsewhere, or the one below that has its name.
"""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from typer.main import get_command

from scheduler.cli.main import app
from tests.support.page_garden import PageGarden, heading, plain

ROOT = Path(__file__).parents[2]
HOUSE = "tests/cli/test_household_questions.py"
NOW = "tests/web/test_now_page.py"
HERE = "tests/web/test_thirty_tasks.py"

# Task -> commands typed, pages tapped from the first view ("/" is none), the test that holds the answer.
TASKS: tuple[tuple[str, tuple[str, ...], tuple[str, ...], str], ...] = (
    ("dry-week run-out", ("ahead",), ("/",), f"{HOUSE}::test_which_day_does_it_run_out_and_what_to_do"),
    ("real litres", ("status",), ("/",), f"{HOUSE}::test_how_much_water_is_there_really"),
    ("next run and why", ("why",), ("/",), f"{HOUSE}::test_when_is_the_next_run_and_why_that_long"),
    ("longer than last week", ("why",), ("/day",), f"{HOUSE}::test_why_does_it_run_longer_than_last_week"),
    ("why not today", ("why",), ("/day",), f"{HOUSE}::test_why_not_today"),
    ("did last night deliver", ("status",), ("/",), f"{HOUSE}::test_did_last_night_deliver"),
    ("plants shorted this month", ("litres",), ("/weeks",), f"{HOUSE}::test_which_plants_were_shorted"),
    ("barrels raised", ("survey",), (), f"{HOUSE}::test_the_barrels_are_to_be_raised"),
    ("two bubblers turned down", ("survey",), (), f"{HOUSE}::test_two_bubblers_are_to_be_turned_down"),
    ("plant added", ("check", "survey"), (), f"{HOUSE}::test_a_plant_was_added"),
    (
        "commission",
        ("commission",),
        (),
        "tests/cli/test_commission.py::test_the_whole_round_asks_what_is_due_in_the_order_of_the_day",
    ),
    (
        "are my catch cans good",
        ("sheet",),
        (),
        "tests/cli/test_sheet.py::test_the_sheet_says_what_was_found_and_how_it_stood_last_time",
    ),
    (
        "last plant dry at half level",
        ("survey",),
        ("/",),
        f"{NOW}::test_a_plant_that_the_water_does_not_reach_is_told_first_and_drawn_with_a_cross",
    ),
    ("is there a leak", ("report",), ("/weeks",), f"{HOUSE}::test_is_there_a_leak"),
    ("level jumped 10 cm", ("status",), ("/",), f"{HOUSE}::test_the_level_jumped_ten_centimetres"),
    ("sensor died on holiday", ("status",), ("/",), f"{HOUSE}::test_the_sensor_died"),
    (
        "internet down a week",
        ("status",),
        ("/",),
        "tests/service/test_week_without_network.py::test_status_and_why_name_the_source_and_its_age",
    ),
    ("power failed mid-run", ("why",), ("/day",), f"{HERE}::test_power_failed_in_the_middle_of_a_run"),
    ("valve open unasked", ("status",), ("/",), f"{HERE}::test_a_valve_is_open_though_nobody_asked"),
    (
        "heavy rain tomorrow",
        ("ahead",),
        ("/weeks",),
        f"{HOUSE}::test_heavy_rain_tomorrow_should_the_water_be_used_now",
    ),
    (
        "top up how much",
        ("ahead",),
        ("/weeks",),
        f"{HOUSE}::test_top_up_how_much_until_when_at_what_cost_and_what_rain_gives_anyway",
    ),
    ("six cans taken", ("took",), ("/tell",), f"{HOUSE}::test_six_cans_were_taken"),
    (
        "away two weeks",
        ("ahead",),
        ("/away",),
        f"{HOUSE}::test_away_for_two_weeks_what_must_a_helper_do_on_which_day",
    ),
    ("shrub first", ("rank",), ("/tell",), f"{HOUSE}::test_put_the_shrub_first"),
    ("stop for a party", ("hold",), ("/tell",), f"{HOUSE}::test_not_during_the_party"),
    ("when to drain", ("winter",), ("/weeks",), f"{HOUSE}::test_when_is_it_to_be_drained"),
    (
        "which of my 25 gardens",
        ("round",),
        ("/round",),
        "tests/report/test_round.py::"
        "test_of_25_gardens_the_open_valve_comes_first_then_the_most_harm_and_the_healthy_last",
    ),
    (
        "is the filter clogging",
        ("drift",),
        ("/weeks",),
        "tests/cli/test_drift_command.py::test_a_slow_fall_is_told_with_its_index_and_what_to_do",
    ),
    (
        "do two more barrels help",
        ("hindsight",),
        ("/weeks/what-if",),
        f"{HOUSE}::test_do_two_more_barrels_help",
    ),
    ("season sheet in gallons", ("report",), (), f"{HOUSE}::test_a_season_sheet_in_gallons"),
)
# What takes more than one command or two taps, and why that stays so.
MORE_THAN_ONE = {"plant added"}
# Asked with a tape measure or the site file in the hand, not with a phone: there is no page.
NO_PAGE = {
    "barrels raised",
    "two bubblers turned down",
    "plant added",
    "commission",
    "are my catch cans good",
    "season sheet in gallons",
}
# What a page answers beside the first view, and where that is proven.
ON_A_PAGE = {
    "plants shorted this month": "test_it_says_which_plants_stood_short_and_on_how_many_days",
    "is there a leak": "test_it_says_where_water_went_and_how_each_zone_flows",
    "heavy rain tomorrow": "test_it_says_how_long_the_water_lasts_as_the_command_does",
    "top up how much": "test_it_says_what_to_top_up_for_the_day_that_is_asked",
    "when to drain": "test_it_says_when_to_drain_by_the_forecast",
    "is the filter clogging": "test_it_says_where_water_went_and_how_each_zone_flows",
    "do two more barrels help": "test_two_more_barrels_are_tried_in_the_summers_that_it_remembers",
}


@cache
def _tests_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return frozenset(n.name for n in tree.body if isinstance(n, ast.FunctionDef))


def test_all_thirty_have_an_answer_that_is_proven() -> None:
    assert len({task for task, *_ in TASKS}) == 30
    for task, _, _, proof in TASKS:
        file, _, name = proof.partition("::")
        assert name in _tests_in(file), task


def test_each_takes_one_command_or_says_why_not() -> None:
    known = set(get_command(app).commands)  # type: ignore[attr-defined]
    for task, commands, pages, _ in TASKS:
        assert set(commands) <= known, task
        assert (len(commands) == 1) == (task not in MORE_THAN_ONE), task
        assert len(pages) <= 1, task


def test_each_page_is_reached_from_the_first_view_with_two_taps_at_the_most(started: PageGarden) -> None:
    one_tap = _links(started, "/")
    two_taps = one_tap.union(*(_links(started, path) for path in sorted(one_tap)))
    # The fitter's page is there when it was asked for: tests/web/test_round_page.py.
    for page in {page for _, _, pages, _ in TASKS for page in pages} - {"/", "/round"}:
        assert page in two_taps, page


def _links(garden: PageGarden, path: str) -> set[str]:
    """Pages of ours that one page leads to."""
    answer = garden.client.get(path)
    assert answer.status_code == 200, path
    return set(re.findall(r'href="(/[a-z/-]*)[#?"]', answer.text)) - {"/leave"}


def test_what_a_person_with_a_phone_asks_has_a_page_that_is_proven() -> None:
    assert {task for task, _, pages, _ in TASKS if not pages} == NO_PAGE
    proven = _tests_in("tests/web/test_weeks_page.py")
    assert set(ON_A_PAGE.values()) <= proven
    weeks = {task for task, _, pages, _ in TASKS if any(page.startswith("/weeks") for page in pages)}
    assert set(ON_A_PAGE) == weeks


def test_power_failed_in_the_middle_of_a_run(started: PageGarden) -> None:
    """The node's power was cut a minute into a run, and is back: the day says what was booked and why."""
    driver = started.driver
    while not driver.orders():
        driver.wait(300)
    order = driver.orders()[0]
    driver.node.opens(order)
    driver.wait(60, every_s=30)
    driver.node.reboots(driver.mono_s)
    driver.node.ends(order, open_ms=10_000, why="restart")
    driver.node.outcomes[-1] = replace(driver.node.outcomes[-1], open_ms_max=70_000)
    driver.node.last_sequence = 0
    started.hear()
    (booking,) = started.store.bookings_since(started.now().date())
    assert booking.open_s == 70.0  # as long as the node cannot rule out, and no longer
    words = plain(started.client.get("/day").text)
    assert booking.note and booking.note in words, words
    assert re.search(rf"{booking.volume_l:.1f} L", words)


def test_a_valve_is_open_though_nobody_asked(started: PageGarden) -> None:
    driver = started.driver
    driver.node.positions[started.site.zones[0].valve.channel] = ("open", None)
    driver.wait(120, every_s=30)
    started.hear()
    page = started.client.get("/").text
    assert heading(page).startswith("A valve is not proven shut since")
    assert "Go and shut the hand tap at the barrels." in plain(page)


@pytest.mark.parametrize("task", sorted(MORE_THAN_ONE))
def test_what_takes_more_is_among_the_tasks(task: str) -> None:
    assert task in {t for t, *_ in TASKS}
