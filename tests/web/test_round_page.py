"""The round as a page: the same answer as the command's, only for who is let in, and only where it was asked
for."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from scheduler.report.round import round_answer
from scheduler.report.round_gardens import round_gardens
from scheduler.report.round_words import round_rows
from scheduler.web.app import make_app
from scheduler.web.guard import App
from scheduler.web.round_page import LOOK_AGAIN_S
from tests.support.many_gardens import one_of_many
from tests.support.page_garden import HOST, PageGarden, heading, plain


def app_of(page: PageGarden, folder: Path, *, look_only: bool = False) -> App:
    return make_app(
        page.garden,
        page.keys,
        hosts=[HOST],
        tls=True,
        look_only=look_only,
        monotonic=lambda: page.hands.monotonic_s,
        round_of=[str(folder)],
    )


@pytest.fixture
def folder(started: PageGarden, tmp_path: Path) -> Path:
    """Three gardens: a valve not shut, a file that is broken, one that is well."""
    found = tmp_path / "gardens"
    seen = started.now() - timedelta(minutes=10)
    first, second, _third = (one_of_many(found, n, seen) for n in (1, 2, 3))
    first.alert("valve_not_shut", seen, urgent=True)
    second.file.write_text("this = is <b>no</b> site file", encoding="utf-8")
    return found


def test_the_page_shows_the_round_of_the_command(started: PageGarden, folder: Path) -> None:
    started.client = TestClient(
        app_of(started, folder), base_url=f"https://{HOST}", cookies=started.client.cookies
    )
    answer = started.client.get("/round")
    assert answer.status_code == 200
    assert heading(answer.text) == "3 gardens: 1 urgent, 1 not known, 1 well."
    gardens = round_gardens([str(folder)])
    text = plain(answer.text)
    for row in round_rows(round_answer(gardens, started.now()), gardens):
        assert row.garden in text
        assert row.standing == "well" or row.bring in text
        assert row.line[1:] in text
    assert text.index("1. Oak 1") < text.index("2. garden-02") < text.index("Birch 3")
    assert "<b>no</b>" not in answer.text
    assert 'href="/round" aria-current="page"' in answer.text


def test_a_page_loaded_again_at_once_does_not_open_every_store_again(
    started: PageGarden, folder: Path
) -> None:
    client = TestClient(app_of(started, folder), base_url=f"https://{HOST}", cookies=started.client.cookies)
    before = heading(client.get("/round").text)
    for file in folder.glob("*/site.toml"):
        file.unlink()
    assert heading(client.get("/round").text) == before
    started.hands.monotonic_s += LOOK_AGAIN_S + 1.0
    assert heading(client.get("/round").text) == "That cannot be"


def test_other_peoples_gardens_are_not_shown_to_strangers_nor_where_everybody_may_look(
    started: PageGarden, folder: Path
) -> None:
    stranger = TestClient(app_of(started, folder), base_url=f"https://{HOST}")
    assert stranger.get("/round").url.path == "/enter"
    anybody = TestClient(app_of(started, folder, look_only=True), base_url=f"https://{HOST}")
    assert anybody.get("/round").status_code == 404
    assert "/round" not in anybody.get("/").text


def test_without_a_round_there_is_no_such_page_and_no_link_to_it(started: PageGarden) -> None:
    assert started.client.get("/round").status_code == 404
    assert "/round" not in started.client.get("/").text
