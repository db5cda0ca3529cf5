"""No action of the page is without a test that presses it in a real Chromium (``page_actions.csv``)."""

from __future__ import annotations

import ast
import csv
from pathlib import Path

from scheduler.control.effects import Alert, RaiseAlert
from scheduler.web.asks import ASKS
from tests.support.page_actions import ACTS, actions_of
from tests.support.page_garden import PageGarden
from tests.web.test_rights import NEEDED

HERE = Path(__file__).parent
ROWS = list(csv.DictReader((HERE / "page_actions.csv").read_text(encoding="utf-8").splitlines()))
PRESSED = {row["action"]: row["test"] for row in ROWS}
THE_TABLE = "test_each_form_does_what_it_says_and_the_store_holds_it"


def test_each_button_of_each_form_is_pressed_in_a_browser(started: PageGarden) -> None:
    """What the pages offer, drained or not, with a message that may be put off and one that is."""
    found = _offered(started, "/", "/tell", "/calendar", "/leave", "/plant/sage", "/weeks", "/away", "/day")
    waits = Alert("forecast_stale", "", f"{started.site.name}: no forecast", "", False, started.now())
    started.store.write([RaiseAlert(waits)])
    found |= _offered(started, "/care")
    started.tell("quiet", subject="forecast_stale", day="2012-07-25")
    started.tell("winter")
    started.keys.new_calendar_link()
    found |= _offered(started, "/care", "/tell", "/calendar")
    stranger = started.visitor()
    for door in ("/enter", "/first"):
        found |= set(actions_of(stranger.get(door).text))
    assert found == set(PRESSED)


def _offered(garden: PageGarden, *paths: str) -> set[str]:
    return {action for path in paths for action in actions_of(garden.client.get(path).text)}


def test_each_route_that_does_something_is_offered_somewhere() -> None:
    """A route without a button would be tried by nobody."""
    routes = {path for method, path in NEEDED if method == "POST"} - {"/tell/{name}"}
    assert routes | {f"/tell/{name}" for name in ASKS} == {a.removesuffix(" back") for a in PRESSED}


def test_each_row_names_a_test_that_exists_and_says_where_it_looks() -> None:
    tree = ast.parse((HERE / "test_in_a_browser.py").read_text(encoding="utf-8"))
    known = {n.name for n in tree.body if isinstance(n, ast.FunctionDef)}
    for row in ROWS:
        assert row["test"] in known, row
        assert row["checked_in"] in ("the store", "the node", "the keys"), row
    assert {a for a, test in PRESSED.items() if test == THE_TABLE} == {act.action for act in ACTS}
