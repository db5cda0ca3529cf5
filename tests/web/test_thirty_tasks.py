"""The thirty questions of a household and a fitter, each walked as somebody would who sees only the page.

``thirty_tasks.csv``: the task, the state of the garden in which it is asked, where to tap from the first view
(or the command), how many taps that is, what is filled into the form found there, how the answer reads, and
the test elsewhere that holds it against the truth.
"""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from unittest.mock import patch
from urllib.parse import parse_qsl, urlencode, urljoin

import pytest
from starlette.testclient import TestClient
from typer.main import get_command

from scheduler.cli.main import app as command
from scheduler.web.app import make_app
from scheduler.web.showing import sentence
from tests.support.many_gardens import one_of_many
from tests.support.page_garden import HOST, PageGarden, form_of, plain
from tests.support.page_states import STATES

ROOT = Path(__file__).parents[2]
ROWS = list(
    csv.DictReader(Path(__file__).with_name("thirty_tasks.csv").read_text(encoding="utf-8").splitlines())
)
WALKED = [row for row in ROWS if row["way"].startswith("page")]
# No page: why it is a command's.
NO_PAGE = {"commission": "somebody stands at the barrels, and the Pi opens and shuts step by step"}


@cache
def _tests_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return frozenset(n.name for n in tree.body if isinstance(n, ast.FunctionDef))


def test_all_thirty_have_an_answer_that_is_held_against_the_truth() -> None:
    assert len({row["task"] for row in ROWS}) == len(ROWS) == 30
    for row in ROWS:
        file, _, name = row["test"].partition("::")
        assert name in _tests_in(file), row


def test_what_no_page_answers_is_one_command() -> None:
    known = set(get_command(command).commands)  # type: ignore[attr-defined]
    others = [row for row in ROWS if row not in WALKED]
    assert {row["task"] for row in others} == set(NO_PAGE)
    for row in others:
        assert row["way"].removeprefix("command: ") in known


def test_each_is_two_taps_away_at_the_most() -> None:
    for row in WALKED:
        assert int(row["taps"]) == len(_taps(row)) <= 2


def _taps(row: dict[str, str]) -> list[str]:
    """The words that are tapped, one after the other, from the first view."""
    return [words for words in row["way"].removeprefix("page").removeprefix(": ").split(" > ") if words]


@pytest.fixture(scope="module")
def garden_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], PageGarden]]:
    """The garden in a state, made at the first question that is asked in it."""
    made: dict[str, PageGarden] = {}

    def find(state: str) -> PageGarden:
        if state not in made:
            folder = tmp_path_factory.mktemp(state)
            with patch("scheduler.link.nudge.nudge", lambda site, **_: True):
                made[state] = _with_round(folder) if state == "round" else STATES[state](folder)
        return made[state]

    yield find
    for page in made.values():
        page.close()


def _with_round(folder: Path) -> PageGarden:
    """The page of a fitter's own garden, with a round of three others, one of them in trouble."""
    page = STATES["well"](folder)
    for number in (1, 2, 3):
        one = one_of_many(folder / "gardens", number, page.now())
        if number == 2:
            one.alert("valve_not_shut", page.now(), urgent=True)
    app = make_app(page.garden, page.keys, hosts=[HOST], tls=True, round_of=[str(folder / "gardens")])
    page.client = TestClient(app, base_url=f"https://{HOST}", cookies=page.client.cookies)
    return page


@pytest.mark.parametrize("row", WALKED, ids=lambda row: row["task"])
def test_it_is_walked_and_answered(row: dict[str, str], garden_in: Callable[[str], PageGarden]) -> None:
    page = garden_in(row["state"])
    path, text = "/", page.client.get("/").text
    for words in _taps(row):
        link = re.search(rf'<a\b[^>]*href="([^"]+)"[^>]*>\s*{re.escape(words)}\s*</a>', text)
        assert link is not None, f"{words!r} cannot be tapped on {path}"
        path = urljoin(path, link[1].replace("&amp;", "&"))
        answer = page.client.get(path)
        assert answer.status_code == 200, path
        text = answer.text
    answered = _sent(page, path, text, row["form"]) if row["form"] else plain(text)
    assert re.search(row["says"], answered, re.DOTALL), answered


def _sent(page: PageGarden, path: str, text: str, form: str) -> str:
    """What is answered to the form that stands there: one that asks ("what=..."), or one that tells."""
    if "&" in form:
        fields = dict(parse_qsl(form, keep_blank_values=True))
        shown = re.search(
            rf'<form[^>]*method="get"[^>]*>.*?value="{fields["what"]}".*?</form>', text, re.DOTALL
        )
        assert shown is not None, path
        for name in fields:
            assert f'name="{name}"' in shown[0], name
        return plain(page.client.get(f"{path.split('?')[0]}?{urlencode(fields)}").text)
    name, *pairs = form.split()
    assert f'action="/tell/{name}"' in text, path
    fields = dict(pair.split("=", 1) for pair in pairs)
    sent = page.client.post(f"/tell/{name}", data=form_of(page.client) | fields)
    page.take_requests()
    return plain(page.client.get(str(sent.url)).text)


def test_power_failed_in_the_middle_of_a_run(tmp_path: Path) -> None:
    """The node's power was cut a minute into a run, and is back: it is booked as long as the node cannot rule
    out, and no longer, and the day says why."""
    page = STATES["power-failed"](tmp_path)
    (booking,) = page.store.bookings_since(page.now().date())
    assert booking.open_s == 70.0
    words = plain(page.client.get("/day").text)
    assert booking.note and sentence(booking.note) in words, words
    assert re.search(rf"{booking.volume_l:.1f} L", words)
    page.close()
