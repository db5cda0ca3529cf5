"""Work done beside this process ends as work done in it, whatever becomes of the copy."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from scheduler.report.beside import Beside, can_fork

# A process of one thread, as the command is: the tests' own process has others.
ALONE = """
import os, signal, sys
from scheduler.report.beside import Beside, can_fork

here = os.getpid()

def work(values):
    if values == "full":
        raise OSError(28, "No space left on device")
    if values == "killed" and os.getpid() != here:
        os.kill(os.getpid(), 9)
    if values == "wrong":
        raise ValueError("a mistake of ours")
    return values, os.getpid() != here

def told(values, fork=True, ready=lambda: None):
    beside = Beside(work, ready, fork=fork)
    beside.give(values)
    try:
        return beside.result()
    except (OSError, ValueError) as error:
        return str(error)

print("said before the copy was made", end=" ")  # stays in the buffer: must come out once
assert told([1.5, "x"]) == ([1.5, "x"], True)
assert told([1.5, "x"], fork=False) == ([1.5, "x"], False)
assert told("full") == "[Errno 28] No space left on device"
assert told("killed") == ("killed", False), "done again here"
assert told("wrong") == "a mistake of ours", "raised here, where it can be read"
assert told("x", ready=lambda: sys.exit(3)) == ("x", False)
big = list(range(200_000))
assert told(big) == (big, True), "more than a pipe holds"
first, second = (Beside(work, lambda: None, fork=True) for _ in range(2))
first.give("x")
assert first.result() == ("x", True), "the second holds the pipe of the first, and must not keep it waiting"
second.give("y")
assert second.result() == ("y", True)
given, idle = (Beside(work, lambda: None, fork=True) for _ in range(2))
given.give("x")
for beside in (given, idle, second, Beside(work, lambda: None, fork=False)):
    beside.close()
    beside.close()
try:
    os.waitpid(-1, os.WNOHANG)
    raise AssertionError("a copy was left behind")
except ChildProcessError:
    pass
signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # as some that start commands hand it down
assert told([1.5, "x"]) == ([1.5, "x"], True), "nobody is left to wait for"
print("whole")
"""


def test_the_copy_works_fails_and_dies_without_harm() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", ALONE], check=False, capture_output=True, text=True, timeout=60
    )
    assert done.stdout == "said before the copy was made whole\n", done.stderr
    assert done.stderr == ""


def test_no_copy_is_made_of_a_process_of_many_threads_or_on_one_processor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.report.beside._THREADS", tmp_path)
    monkeypatch.setattr(os, "sched_getaffinity", lambda of: {0, 1}, raising=False)
    (tmp_path / "1").touch()
    assert can_fork()
    monkeypatch.setattr(os, "sched_getaffinity", lambda of: {0}, raising=False)
    assert not can_fork()
    monkeypatch.setattr(os, "sched_getaffinity", lambda of: {0, 1}, raising=False)
    (tmp_path / "2").touch()
    assert not can_fork()
    monkeypatch.setattr("scheduler.report.beside._THREADS", tmp_path / "none")
    assert not can_fork()


def test_what_was_never_given_has_no_result() -> None:
    with pytest.raises(ValueError, match="nothing was given"):
        Beside(len, lambda: None, fork=False).result()


def test_an_error_of_the_disk_is_raised_where_the_result_is_asked_for() -> None:
    def full(values: int) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    beside = Beside(full, lambda: None, fork=False)
    beside.give(1)
    with pytest.raises(OSError, match="No space"):
        beside.result()
