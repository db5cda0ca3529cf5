"""A practice that was kept: how to look at it, and that nothing can be asked of it any more."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import SILENT_A_WHILE, app
from scheduler.cli.printing import say
from scheduler.cli.seasons import kept_words
from scheduler.control.effects import RecordPlan
from scheduler.planning.plan import Plan, StoreOutlook
from scheduler.service.practised import keep_practice
from scheduler.site.errors import UsageError
from scheduler.store.store import Store, store_url

LATE = datetime(2012, 8, 8, 6, 50, tzinfo=UTC)  # 23:50 on 7 August in Seattle


def plan_of(day: datetime) -> Plan:
    outlook = StoreOutlook(None, None, None, None, None, 14)
    return Plan(day=day.date(), made_at=day, runs=(), skipped=(), shares=(), store=outlook)


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A kept practice of which the last plan is of 6 August."""
    made = tmp_path / "five-drums.db"
    with Store(store_url(made), "five-drums") as store:
        store.write([RecordPlan(plan_of(datetime(2012, 8, 6, 8, tzinfo=UTC)))])
    keep_practice(made, tmp_path / "kept", "five-drums", LATE)
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "kept"))
    monkeypatch.setenv("FALLINGHEAD_SITE", "five-drums")
    return tmp_path / "kept"


def test_what_is_to_be_typed_is_never_folded_and_does_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("scheduler.cli.printing._columns", lambda: 80)
    program = (
        tmp_path / "a folder of a rather long name, to be sure, in which it is installed" / "fallinghead"
    )
    program.parent.mkdir()
    program.write_text("#!/bin/sh\necho ran $1 in $FALLINGHEAD_STATE for $FALLINGHEAD_SITE\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "argv", [str(program)])
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    folder = tmp_path / "another folder of a name that is longer than a line of eighty columns can hold" / "k"
    for line in kept_words("five-drums", folder):
        say(line)
    out = capsys.readouterr().out
    typed = out[out.index("export ") :]
    assert all(line.startswith(("export ", "fallinghead ")) for line in typed.splitlines())
    pasted = subprocess.run(["/bin/sh"], input=typed, capture_output=True, text=True, check=True)
    assert pasted.stderr == ""
    assert pasted.stdout.splitlines()[1] == f"ran why in {folder} for five-drums"


def test_a_program_on_the_path_needs_no_word_about_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduler.cli.seasons.which", lambda name: f"/usr/bin/{name}")
    assert "PATH=" not in "\n".join(kept_words("five-drums", Path("kept")))


@pytest.mark.parametrize(
    "words",
    ["stop", "resume", "water fig 3 L", "took 60 L", "topped-up 200 L", "gave fig 5 L", "rained 6 mm",
     "measured 62 cm", "hold border --end", "rank fig 1", "ration --choose alike", "winter back",
     "away --home", "care filter", "quiet run_short --end"],
)  # fmt: skip
def test_nothing_can_be_asked_of_a_practice_that_is_over(kept: Path, words: str) -> None:
    with closing(sqlite3.connect(kept / "five-drums.db")) as store:
        before = store.execute("SELECT count(*) FROM requests").fetchall()
    ended = CliRunner().invoke(app, words.split())
    assert isinstance(ended.exception, UsageError) and ended.exception.exit_code == 2
    said = str(ended.exception)
    assert "a practice that is over" in said and "unset FALLINGHEAD_STATE" in said
    assert "tap" not in said and "stopped" not in said.removeprefix("Nothing was stopped. ")
    assert said.startswith("Nothing was stopped.") == (words == "stop")
    with closing(sqlite3.connect(kept / "five-drums.db")) as store:
        assert store.execute("SELECT count(*) FROM requests").fetchall() == before


def test_why_without_a_day_tells_of_the_newest_plan_and_says_so(kept: Path) -> None:
    ended = CliRunner().invoke(app, ["why"])
    assert ended.exit_code == 0
    first, second = ended.output.splitlines()[:2]
    assert (
        first == "No plan was made for today, Tuesday 07 August 2012; the newest is of Monday 06 August 2012."
    )
    assert second.endswith("Monday 06 August 2012")
    asked = CliRunner().invoke(app, ["why", "--on", "2012-08-07"])
    assert isinstance(asked.exception, UsageError) and "no plan was made for" in str(asked.exception)
    to_come = str(CliRunner().invoke(app, ["why", "--on", "2012-08-08"]).exception)
    assert "Wednesday 08 August 2012 is still to come" in to_come and "no plan was made" not in to_come


def test_commands_that_wait_for_the_service_say_so_on_a_terminal() -> None:
    names = {c.name or c.callback.__name__ for c in app.registered_commands if c.callback is not None}
    assert {"took", "water", "rank", "hold", "winter", "gave", "rained", "resume"} <= SILENT_A_WHILE <= names


def test_the_folder_is_named_from_the_root(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    assert f"export FALLINGHEAD_STATE={tmp_path / 'kept'}{os.linesep}" in "\n".join(
        kept_words("five-drums", Path("kept"))
    )
