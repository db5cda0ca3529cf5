"""A slip of the key is answered by what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app


def told(words: str) -> str:
    ran = CliRunner().invoke(app, words.split())
    assert ran.exit_code != 0
    return f"{ran.output}{ran.exception}"


@pytest.mark.parametrize(
    ("words", "plainly"),
    [
        ("why elm.toml", "why --site elm.toml"),
        ("ahead --until 2031-08-14 elm.toml", "ahead --site elm.toml --until 2031-08-14"),
        ("water fig 3 L elm.toml", "water fig 3 L --site elm.toml"),
        ("stop --json elm.toml", "stop --site elm.toml --json"),
        ("check --site elm.toml", "check elm.toml"),
        ("status --json --site=elm.toml", "status elm.toml --json"),
        ("network --site elm.toml --zone pots", "network elm.toml --zone pots"),
        ("commission --site elm.toml leak-test", "commission elm.toml leak-test"),
    ],
)
def test_a_site_is_named_by_an_option_or_by_a_word_alike(words: str, plainly: str) -> None:
    said = told(words)
    assert "elm.toml" in said and "No such option" not in said and said == told(plainly)


def test_a_file_or_an_example_is_known_where_a_command_takes_no_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    Path("elm").write_text("")
    assert told("litres elm") == told("litres --site elm")
    for words in ("check --site five-drums", "check five-drums"):
        assert CliRunner().invoke(app, words.split()).exit_code == 0
    ran = CliRunner().invoke(app, ["litres", "oak"])
    assert ran.exit_code == 2 and "oak" in ran.output and "--site" not in ran.output


def test_a_file_that_an_option_takes_or_a_site_already_named_is_no_slip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    for words in ("ahead --past years.toml --site five-drums", "ahead --past years.toml", "status elm.toml"):
        ran = CliRunner().invoke(app, words.split())
        assert ran.exit_code != 0 and "by an option" not in f"{ran.exception}{ran.output}"


@pytest.mark.parametrize(
    ("command", "named", "example"),
    [
        ("rank", "Which plant.", "fallinghead rank fig 1"),
        ("quiet", "Which kind of message", "fallinghead quiet run_short --until 2031-08-01"),
        ("water", "A zone or a plant.", 'fallinghead water fig "3 L"'),
    ],
)
def test_a_command_without_its_word_says_what_is_to_be_named(command: str, named: str, example: str) -> None:
    ran = CliRunner().invoke(app, [command])
    assert ran.exit_code == 2
    said = " ".join(ran.output.split())
    assert "Missing argument" in said and named in said and example in said
