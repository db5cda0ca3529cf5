"""The round as a page: the same answer as the command's, only for who is let in, and only where it was asked
for."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from scheduler.cli.main import app as command
from scheduler.control.effects import RecordStop
from scheduler.report.round import round_answer
from scheduler.report.round_gardens import round_gardens
from scheduler.report.round_words import round_rows
from scheduler.site.errors import UsageError
from scheduler.web.app import make_app, make_office
from scheduler.web.guard import App
from scheduler.web.keys import Keys
from scheduler.web.limits import ASKS_PER_MINUTE
from scheduler.web.round_page import LOOK_AGAIN_S
from scheduler.web.serving import Address, office_keys, office_title, serve_office
from tests.support.many_gardens import one_of_many
from tests.support.page_garden import HOST, PASSWORD, PageGarden, heading, plain, token


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


def test_the_page_of_the_round_shows_no_folder_of_the_computer_and_no_command(
    started: PageGarden, tmp_path: Path
) -> None:
    seen = started.now() - timedelta(minutes=10)
    stopped, broken, gone, lost, old = (one_of_many(tmp_path / "gardens", n, seen) for n in range(1, 6))
    with stopped.store() as store:
        store.write([RecordStop(True, "Ann", seen)])
    broken.file.write_text("this = is no site file\nnor = is this\n", encoding="utf-8")
    gone.path.unlink()
    lost.path.unlink()
    old.path.write_bytes(b"this is no store at all" * 100)
    listed = [
        f'[[garden]]\nsite = "gardens/{m.file.parent.name}/site.toml"' for m in (stopped, broken, gone, old)
    ]
    listed.append(f'[[garden]]\nsite = "gardens/{lost.file.parent.name}/site.toml"\nstore = "copy.db"')
    file = tmp_path / "round.toml"
    file.write_text("\n".join(listed), encoding="utf-8")
    client = TestClient(app_of(started, file), base_url=f"https://{HOST}", cookies=started.client.cookies)
    text = plain(client.get("/round").text)
    assert str(tmp_path) not in text
    assert "fallinghead" not in text and "FALLINGHEAD" not in text
    assert "name it as store in the round file" in text
    assert "The copy of its store, copy.db, is not here: fetch it." in text
    assert re.search(rf"{broken.file.parent.name}/site\.toml:\d+: .* \(and \d+ more\) ", text)
    assert "Ask whether it may go on." in text


def test_a_round_file_called_round_is_the_round() -> None:
    assert office_title(Path("gardens/round.toml")) == "The round"
    assert office_title(Path("gardens/north.toml")) == "Round: north"


# ---- An office: a round, and no garden of its own ---------------------------------------------------------


@pytest.fixture
def office(started: PageGarden, folder: Path, tmp_path: Path) -> tuple[TestClient, dict[str, str]]:
    """Before its password is set, and the form that sets it."""
    keys = Keys(tmp_path / "office.json", started.now)
    app = make_office("Round: mine", [str(folder)], keys, hosts=[HOST], tls=True, now=started.now)
    client = TestClient(app, base_url=f"https://{HOST}")
    code = {"code": keys.new_code(), "password": PASSWORD, "who": "Ann", "token": token(client, "/first")}
    return client, code


def test_an_office_shows_its_round_after_the_password_and_not_before(
    office: tuple[TestClient, dict[str, str]],
) -> None:
    client, form = office
    shut = client.get("/")
    assert shut.url.path == "/first" and "Set the password of this page" in plain(shut.text)
    assert client.get("/round").url.path == "/first"
    opened = client.post("/first", data=form)
    assert opened.url.path == "/round"
    assert heading(opened.text) == "3 gardens: 1 urgent, 1 not known, 1 well."
    assert re.search(r"Looked at Friday \d\d \w+ \d{4}, 04:\d\d P[DS]T\.", plain(opened.text))
    assert "Stop all watering" not in opened.text and "/tell" not in opened.text


def test_an_office_has_no_page_of_any_garden_and_nothing_to_ask_for(
    office: tuple[TestClient, dict[str, str]],
) -> None:
    client, first = office
    client.post("/first", data=first)
    for path in ("/tell", "/day", "/weeks", "/care", "/plant/sage", "/fresh", "/calendar"):
        assert client.get(path).status_code == 404, path
    form = {"token": token(client, "/leave"), "once": "x" * 22}
    assert client.post("/stop", data=form).status_code == 404
    left = client.post("/leave", data=form)
    assert left.url.path == "/enter" and "The password of this page" in plain(left.text)
    assert "hand tap" not in left.text


def test_an_office_has_nothing_to_stop_so_no_path_passes_its_limit(
    office: tuple[TestClient, dict[str, str]],
) -> None:
    client, _ = office
    answers = [client.post("/stop", data={}).status_code for _ in range(ASKS_PER_MINUTE + 1)]
    assert answers[-1] == 429 and 429 not in answers[: ASKS_PER_MINUTE // 2]
    held = client.get("/static/mark.svg")
    assert held.status_code == 429
    assert "wait a minute" in held.text and "stop" not in held.text


def test_the_page_of_a_round_is_never_open_to_everybody_and_has_a_password_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    file = tmp_path / "mine.toml"
    file.write_text('[[garden]]\nsite = "five-drums.toml"\n', encoding="utf-8")
    with pytest.raises(UsageError, match="never open to everybody"):
        serve_office(file, Address(look_only=True))
    with pytest.raises(UsageError, match="there is no garden"):
        serve_office(file, Address())
    office_keys(file).new_code()
    said = CliRunner().invoke(command, ["page", str(file), "--new-code"])
    assert re.search(r"First-start code: [A-Z2-7]{5}-[A-Z2-7]{5}", said.output)
    # The command and the page keep it in one place, and no other round of that name has it.
    assert len(list((tmp_path / "state").glob("round.mine.*.page.json"))) == 1
    other = tmp_path / "south" / "mine.toml"
    other.parent.mkdir()
    other.write_text(file.read_text(encoding="utf-8"), encoding="utf-8")
    office_keys(file).set_password(office_keys(file).new_code(), PASSWORD, "Ann")
    assert office_keys(file).has_password and not office_keys(other).has_password


def test_an_office_and_a_garden_on_one_host_keep_their_visitors_apart(
    started: PageGarden, office: tuple[TestClient, dict[str, str]]
) -> None:
    client, form = office
    client.post("/first", data=form)
    assert not set(client.cookies.keys()) & set(started.client.cookies.keys())
