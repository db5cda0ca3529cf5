"""The fitter's round: fallinghead round, many gardens at one look."""

from __future__ import annotations

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json

GARDENS_HELP = (
    "Site files, folders of them, or a round file (also one in such a folder): TOML with [[garden]] tables "
    "of site, store (a fetched copy) and note."
)


def add_to(app: typer.Typer) -> None:
    app.command(
        name="round",
        epilog="Examples: fallinghead round gardens/; fallinghead round round.toml --json",
    )(round_of)


def round_of(
    gardens: list[str] = typer.Argument(..., help=GARDENS_HELP, metavar="GARDENS"),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Look at many gardens at once: the most harm first, healthy ones in a line, and the parts to bring."""
    from scheduler.report.round import round_answer
    from scheduler.report.round_gardens import round_gardens
    from scheduler.report.round_words import round_words
    from scheduler.service.practised import practice_ended

    found = round_gardens(gardens)
    # A practice that is looked at must not set the hour for the gardens beside it.
    answer = round_answer(found, present.now() if practice_ended() is None else present.real_now())
    if json:
        say_json(answer)
        return
    for line in round_words(answer, found):
        say(line)
