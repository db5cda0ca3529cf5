"""Long work is not silent: a bar on a terminal, a line now and then elsewhere."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from scheduler.cli.printing import LINE_EVERY_S, progress, told_in_lines


def test_elsewhere_than_on_a_terminal_a_line_says_how_far_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    now = [100.0]
    step = told_in_lines("Rehearsing", 8, lambda: now[0])
    assert capsys.readouterr().err == "Rehearsing ...\n"
    for _ in range(8):
        now[0] += 0.6 * LINE_EVERY_S
        step()
    said = capsys.readouterr().err.splitlines()
    # Every other step is so late; the last is followed by the answer.
    assert said == ["Rehearsing: 25 % done", "Rehearsing: 50 % done", "Rehearsing: 75 % done"]


def test_quick_work_says_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("Rehearsing", 3) as step:
        for _ in range(3):
            step()
    assert capsys.readouterr().err == "Rehearsing ...\n"


def test_on_a_terminal_the_bar_stands_before_the_first_step(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    made = Console(file=out, force_terminal=True, width=100, highlight=False)
    monkeypatch.setattr("rich.console.Console", lambda **_: made)
    with progress("Rehearsing", 2) as step:
        before = out.getvalue()
        step()
        step()
    assert "Rehearsing" in before
