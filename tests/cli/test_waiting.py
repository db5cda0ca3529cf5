"""A command that works for a while says so on a terminal, and leaves no trace of it."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from scheduler.cli.waiting import WORDS, Waiting
from scheduler.store.store import Store, store_url


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_word_is_erased_before_the_answer() -> None:
    out = Terminal()
    waiting = Waiting(out)
    waiting.show()
    assert out.getvalue() == WORDS
    waiting.end()
    assert out.getvalue() == f"{WORDS}\r{' ' * len(WORDS)}\r"
    waiting.end()
    waiting.show()
    assert out.getvalue().count(WORDS) == 1


def test_a_quick_command_says_nothing() -> None:
    out = Terminal()
    waiting = Waiting(out)
    waiting.begin()
    waiting.end()
    waiting.show()
    assert out.getvalue() == ""


def test_a_pipe_never_sees_it() -> None:
    out = io.StringIO()
    waiting = Waiting(out, silent_s=0.001)
    waiting.begin()
    waiting.end()
    assert out.getvalue() == ""


def on_a_terminal(*arguments: str) -> str:
    """What a terminal shows of a command whose silence is taken for long at once."""
    code = (
        "import scheduler.cli.waiting as w, sys; w.Waiting.__init__.__defaults__ = (0.001,); "
        f"sys.argv = {['fallinghead', *arguments]!r}; from scheduler.cli.main import main; main()"
    )
    ours, theirs = pty.openpty()
    with subprocess.Popen([sys.executable, "-c", code], stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 4096)
            except OSError:  # the terminal's other end is closed
                break
            if not part:
                break
            shown += part
        process.wait()
    os.close(ours)
    return shown.decode()


def test_a_survey_on_a_terminal_says_that_it_works_and_then_only_the_survey() -> None:
    shown = on_a_terminal("survey", "five-drums")
    before, erased, after = shown.partition(f"{WORDS}\r{' ' * len(WORDS)}\r")
    assert before == "" and erased
    assert WORDS not in after and after.startswith("Zone Tomatoes in pots")


def test_an_error_stands_on_a_line_of_its_own() -> None:
    shown = on_a_terminal("plan", "five-drums", "--level", "9 km", "--weather", "seattle-2012")
    assert f"\r{' ' * len(WORDS)}\rfallinghead: " in shown


def test_a_request_says_that_it_waits_and_then_only_its_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "five-drums.db"
    Store(store_url(store), "five-drums").close()
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    shown = on_a_terminal("took", "60 L", "--site", "five-drums", "--wait", "0.2")
    before, erased, after = shown.partition(f"{WORDS}\r{' ' * len(WORDS)}\r")
    assert before == "" and erased
    assert WORDS not in after and after[:1].isupper()
