"""Work done by a process beside this one, begun at once and given its values later.

Only where a copy of this process is safe to make and there is a second processor for it; elsewhere the work
is done here, when its result is asked for. The copy is a fork: it has all that is loaded already.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, Generic, TypeVar

Values = TypeVar("Values")
Result = TypeVar("Result")

# Linux: one entry for each thread of this process, whoever started it.
_THREADS = Path("/proc/self/task")


def can_fork() -> bool:
    """Whether a copy is safe (a fork takes one thread along, but the locks of all) and of use."""
    try:
        return len(os.listdir(_THREADS)) == 1 and len(os.sched_getaffinity(0)) > 1
    except (OSError, AttributeError):
        return False


class Beside(Generic[Values, Result]):
    """``work`` on the values that ``give`` hands over, once; ``result`` waits for what comes of it.

    ``ready`` runs in the copy at once, to load what the work needs. An OSError of the work is raised by
    ``result``; should the copy end otherwise without a result, the work is done again here.
    """

    def __init__(
        self, work: Callable[[Values], Result], ready: Callable[[], None], *, fork: bool | None = None
    ) -> None:
        self._work = work
        self._values: Values | None = None
        self._copy = _Copy(work, ready) if (can_fork() if fork is None else fork) else None

    def give(self, values: Values) -> None:
        self._values = values
        if self._copy is not None:
            self._copy.send(values)

    def result(self) -> Result:
        if self._values is None:
            raise ValueError("nothing was given to be worked on")
        if self._copy is not None:
            told = self._copy.answer()
            if isinstance(told, OSError):
                raise told
            if told is not None:
                (done,) = told
                return done  # type: ignore[no-any-return]
        return self._work(self._values)

    def close(self) -> None:
        """Let the copy go, also where it was never given anything or its result is not asked for."""
        if self._copy is not None:
            self._copy.close()


class _Copy:
    """The forked process, with a pipe each way."""

    def __init__(self, work: Callable[[Any], Any], ready: Callable[[], None]) -> None:
        values_out, values_in = os.pipe()
        answer_out, answer_in = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            # Nothing of the command that was copied may run on: neither its errors nor its ending.
            try:
                # A search for garbage would write to, and so copy, every page that both still share.
                gc.disable()
                os.close(values_in)
                os.close(answer_out)
                ready()
                with os.fdopen(values_out, "rb") as asked, os.fdopen(answer_in, "wb") as answer:
                    _worked(work, asked, answer)
            finally:
                os._exit(0)
        os.close(values_out)
        os.close(answer_in)
        self._values, self._answer = os.fdopen(values_in, "wb"), os.fdopen(answer_out, "rb")

    def send(self, values: Any) -> None:
        with suppress(BrokenPipeError), self._values:
            pickle.dump(values, self._values, pickle.HIGHEST_PROTOCOL)

    def answer(self) -> Any:
        """A tuple of the result alone, an OSError, or None: the copy ended without."""
        with self._answer:
            told = self._answer.read()
        # Started by what ignores its children's ends, this process has none left to wait for.
        with suppress(ChildProcessError):
            os.waitpid(self._pid, 0)
        return pickle.loads(told) if told else None  # noqa: S301 - from our own copy

    def close(self) -> None:
        if not self._values.closed:  # nothing was given: it only loads, or waits
            self._values.close()
            with suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
        if not self._answer.closed:
            self._answer.close()
            with suppress(ChildProcessError):
                os.waitpid(self._pid, 0)


def _worked(work: Callable[[Any], Any], asked: BinaryIO, answer: BinaryIO) -> None:
    try:
        # Read no further than the values: a copy made after this one holds the pipe open too.
        given = pickle.load(asked)  # noqa: S301 - from the process that was copied
    except EOFError:
        return  # the command ended before it had anything to give
    try:
        told: Any = (work(given),)
    except OSError as error:
        told = OSError(error.errno, error.strerror)
    pickle.dump(told, answer, pickle.HIGHEST_PROTOCOL)
