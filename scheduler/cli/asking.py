"""Commands that ask the store what was decided: why."""

from __future__ import annotations

from datetime import UTC, datetime

import typer

from scheduler.cli.printing import say, say_json
from scheduler.cli.sites import SITE_HELP, find_site, read_date


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Examples: fallinghead why; fallinghead why fig; fallinghead why --on 2012-07-30")(why)


def why(
    subject: str = typer.Argument(None, help="A zone or a plant; without it every zone."),
    on: str = typer.Option(None, "--on", help="The day, such as 2012-07-30; without it today."),
    site: str = typer.Option(None, "--site", help=SITE_HELP),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say why a zone is watered so long, or not at all, and what would change that."""
    from scheduler.report.why import why_answer, why_words
    from scheduler.service.daemon import site_store_path
    from scheduler.store.store import Store, store_url

    garden = find_site(site)
    day = read_date(on, "--on") if on else datetime.now(UTC).astimezone(garden.place.timezone).date()
    with Store(store_url(site_store_path(garden.id)), garden.id, service=False) as store:
        answer = why_answer(garden, store, day, subject)
    if json:
        say_json(answer)
        return
    for line in why_words(garden, answer, subject):
        say(line)
