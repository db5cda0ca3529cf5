"""A slip of the key is answered by what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.site.errors import UsageError


def refused(words: str) -> str:
    ran = CliRunner().invoke(app, words.split())
    assert isinstance(ran.exception, UsageError), ran.output
    return str(ran.exception)


@pytest.mark.parametrize(
    "words",
    ["why elm.toml", "litres elm.toml", "ahead --until 2031-08-14 elm.toml", "rank elm.toml 1",
     "messages elm.toml", "ration elm.toml --back", "care elm.toml", "water fig 3 L elm.toml",
     "stop --json elm.toml"],
)  # fmt: skip
def test_a_site_file_where_none_is_read_is_told_how_it_is_named(words: str) -> None:
    name = words.split()[0]
    assert refused(words).endswith(f"write fallinghead {name} --site elm.toml")


def test_a_file_or_an_example_is_known_where_a_command_takes_no_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("elm").write_text("")
    assert "write fallinghead litres --site elm" in refused("litres elm")
    assert "write fallinghead ahead --site five-drums" in refused("ahead five-drums")
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
