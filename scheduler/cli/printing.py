"""How the commands print: one JSON object, or plain tables without colour where there is no terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from scheduler.report.answers import Answer


def say(text: str = "") -> None:
    typer.echo(text)


def say_error(text: str) -> None:
    typer.echo(text, err=True)


def say_json(answer: Answer) -> None:
    typer.echo(answer.as_json())


# In a pipe or a file there is no terminal to fit into; tables of plants need about this much.
PIPE_COLUMNS = 110


def console() -> Console:
    from rich.console import Console

    made = Console(highlight=False)
    return made if made.is_terminal else Console(highlight=False, width=PIPE_COLUMNS)


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
    console().print(table)


@contextmanager
def progress(text: str) -> Iterator[None]:
    """Says on a terminal's stderr that work goes on; silent in a pipe."""
    from rich.console import Console

    console = Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield
        return
    with console.status(text):
        yield
