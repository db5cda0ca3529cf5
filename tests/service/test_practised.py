"""What a practice leaves: a store in a folder of its own, looked at by the hour of its garden."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli import present
from scheduler.cli.main import app
from scheduler.cli.sites import find_site
from scheduler.service.practised import MARK, check_keep, keep_practice, practice_ended
from scheduler.site.errors import UsageError
from scheduler.store.store import Store, store_url

ENDED = datetime(2012, 8, 7, 7, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "practice.db"
    with closing(sqlite3.connect(path)) as made:
        made.execute("CREATE TABLE runs (litres REAL)")
        made.execute("INSERT INTO runs VALUES (3.5)")
        made.commit()
    return path


def test_the_store_is_copied_and_the_commands_see_the_hour_at_which_it_ended(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "new" / "kept"
    keep_practice(store, folder, "drums", ENDED)
    with closing(sqlite3.connect(folder / "drums.db")) as kept:
        assert kept.execute("SELECT litres FROM runs").fetchall() == [(3.5,)]
    monkeypatch.setenv("FALLINGHEAD_STATE", str(folder))
    assert practice_ended() == present.now() == ENDED
    monkeypatch.delenv("FALLINGHEAD_STATE")
    assert practice_ended() is None and present.now() > ENDED


def test_a_practice_takes_the_place_of_an_earlier_one_and_of_nothing_else(
    store: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "kept"
    keep_practice(store, folder, "drums", datetime(2012, 7, 1, tzinfo=UTC))
    keep_practice(store, folder, "drums", ENDED)
    assert practice_ended({"FALLINGHEAD_STATE": str(folder)}) == ENDED
    with pytest.raises(UsageError, match="other things are in it"):
        check_keep(tmp_path)
    with pytest.raises(UsageError, match="no folder"):
        check_keep(store)


def test_no_service_runs_in_the_folder_of_a_practice(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_practice(store, tmp_path / "kept", "five-drums", ENDED)
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "kept"))
    ended = CliRunner().invoke(app, ["serve", "five-drums"])
    assert isinstance(ended.exception, UsageError) and "a practice that is over" in str(ended.exception)


def test_status_says_that_it_is_a_practice_and_sends_nobody_to_a_valve(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = tmp_path / "five-drums.db"
    Store(store_url(made), "five-drums").close()
    keep_practice(made, tmp_path / "kept", "five-drums", ENDED)
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "kept"))
    said = CliRunner().invoke(app, ["status", "five-drums"]).output
    assert "a practice that is over" in said
    assert "tap" not in said and "start the daemon" not in said


def test_a_mark_that_is_no_time_is_not_taken_for_today(tmp_path: Path) -> None:
    (tmp_path / MARK).write_text("soon", encoding="utf-8")
    with pytest.raises(UsageError, match="no time"):
        practice_ended({"FALLINGHEAD_STATE": str(tmp_path)})


def test_the_variable_may_name_an_example_as_the_commands_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_SITE", "five-drums")
    assert find_site(None).id == "five-drums"
