"""How the commands print: one JSON object, or plain tables without colour where there is no terminal."""

from __future__ import annotations

import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

import typer

from scheduler.cli import waiting

if TYPE_CHECKING:
    from rich.console import Console

    from scheduler.report.answers import Answer


# In a pipe or a file there is no terminal to fit into; tables of plants need about this much.
PIPE_COLUMNS = 110
# On a narrower terminal words are left to break as they do.
LEAST_COLUMNS = 40
# Where no bar can be drawn a line says how far it is, so often (work over two seconds is not to be silent).
LINE_EVERY_S = 2.0


def say(text: str = "") -> None:
    """One line, folded between words where the terminal ends; text that has lines already stays as it is."""
    if "\n" in text:
        _echo(text)
        return
    folded = textwrap.wrap(
        text, _columns(), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )
    _echo("\n".join(folded))


def _echo(text: str) -> None:
    waiting.end()
    typer.echo(text)


def _columns() -> int:
    if not sys.stdout.isatty():
        return PIPE_COLUMNS
    return max(LEAST_COLUMNS, min(PIPE_COLUMNS, shutil.get_terminal_size().columns))


def say_error(text: str) -> None:
    waiting.end()
    typer.echo(text, err=True)


def say_json(answer: Answer) -> None:
    _echo(answer.as_json())


def console() -> Console:
    from rich.console import Console

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            raise  # called while it is handled; the command ends as any other in a pipe

    # Names are people's own: brackets in them are no markup, and colons no pictures.
    as_written = partial(Plain, highlight=False, markup=False, emoji=False)
    made = as_written()
    return made if made.is_terminal else as_written(width=PIPE_COLUMNS)


def say_table(title: str, columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]) -> None:
    """A table; each column is (heading, "left" or "right")."""
    from rich import box
    from rich.table import Table

    if title:
        say(title)
    table = Table(box=box.SIMPLE, pad_edge=False)
    for heading, justify in columns:
        table.add_column(heading, justify="right" if justify == "right" else "left", overflow="fold")
    for row in rows:
        table.add_row(*row)
    waiting.end()
    console().print(table)


@contextmanager
def progress(text: str, steps: int) -> Iterator[Callable[[], None]]:
    """A bar on a terminal's stderr, else a line now and then. Call what it yields after each of the steps."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    waiting.end()
    console = Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield told_in_lines(text, steps)
        return
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(text, total=steps, start=False)  # it sways until the first step is done

        def step() -> None:
            bar.start_task(task)
            bar.advance(task)

        yield step


def told_in_lines(text: str, steps: int, clock: Callable[[], float] = time.monotonic) -> Callable[[], None]:
    """The first line at once; then how far it is, as steps are done, but not too often."""
    done, told_at = 0, clock()
    say_error(f"{text} ...")

    def step() -> None:
        nonlocal done, told_at
        done += 1
        if done < steps and clock() - told_at >= LINE_EVERY_S:
            told_at = clock()
            say_error(f"{text}: {100 * done / steps:.0f} % done")

    return step
