"""The command ``fallinghead``: parse, call, print. Heavy imports wait for the command that needs them."""

from __future__ import annotations

import os
import sys
from typing import Any

import typer
from typer.core import TyperGroup

from scheduler.cli import (
    asking,
    calendar_command,
    caring,
    commissioning,
    designing,
    looking_back,
    metrics_command,
    page,
    provisioning,
    rationing,
    round_command,
    running,
    seasons,
    slips,
    telling,
    waiting,
)
from scheduler.cli.printing import say_error

# The matrices here are small: threads of the linear algebra library only wait for one another, many times
# longer on a busy machine. It reads this when numpy is first imported.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "1")
# pydantic would look through every installed package for plugins; it reads this when it is first imported.
NO_PLUGINS = ("PYDANTIC_DISABLE_PLUGINS", "__all__")
# Commands that load or reckon for a while before their first word.
SILENT_A_WHILE = frozenset(
    {"ahead", "away", "balance", "calendar", "care", "drift", "gave", "hindsight", "hold", "litres",
     "measured", "messages", "plan", "quiet", "rained", "rank", "ration", "rehearse", "report", "resume",
     "round", "sheet", "status", "stop", "survey", "took", "topped-up", "water", "why", "winter"}
)  # fmt: skip
HELP_OPTIONS = ["-h", "--help"]
# Columns to which help may grow on a wide terminal.
HELP_COLUMNS = 100


class Commands(TyperGroup):
    """The commands, ending well when the reader of a pipe has seen enough (the framework would exit 1)."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        name, command, rest = super().resolve_command(ctx, args)
        rest = slips.site_in_its_place(command, rest)
        if name in SILENT_A_WHILE and not set(HELP_OPTIONS) & set(rest):
            waiting.begin()
        return name, command, rest

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            slips.explain_missing(error)
            raise
        except BrokenPipeError:
            # Nothing is wrong, and Python must not complain when it closes its own end.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(0) from None
        finally:
            waiting.end()


app = typer.Typer(
    name="fallinghead",
    cls=Commands,
    help="Waters a garden by gravity from rain barrels: every plant gets its litres although the head falls.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": HELP_OPTIONS, "max_content_width": HELP_COLUMNS},
)
designing.add_to(app)
seasons.add_to(app)
running.add_to(app)
telling.add_to(app)
rationing.add_to(app)
caring.add_to(app)
asking.add_to(app)
looking_back.add_to(app)
commissioning.add_to(app)
provisioning.add_to(app)
page.add_to(app)
round_command.add_to(app)
calendar_command.add_to(app)
metrics_command.add_to(app)


@app.callback(invoke_without_command=True)
def top(
    version: bool = typer.Option(False, "--version", help="Print the version and end."),
) -> None:
    if version:
        from scheduler import __version__

        typer.echo(f"fallinghead {__version__}")
        raise typer.Exit


def main() -> None:
    """Run the command line; our own errors end in one message and their exit code."""
    os.environ.setdefault(*ONE_THREAD)
    os.environ.setdefault(*NO_PLUGINS)
    from scheduler.site.errors import FallingheadError

    try:
        app()
    except FallingheadError as error:
        say_error(f"fallinghead: {error}")
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
